"""Answers from the process that plays on a sound device to the process that sends it frames.

It answers once when it has tried to open the device, and once to every message of interleaved float32 frames.
"""

from __future__ import annotations

import msgspec

from residue.output.sink import Queued
from residue.problems import Finding


class Opened(msgspec.Struct, frozen=True, tag=True):
    """The device waits for frames."""

    latency_s: float


class Written(msgspec.Struct, frozen=True, tag=True):
    """The device had room for the frames."""

    late: bool
    """Whether the stream was empty before."""
    reading: Queued | None = None
    """What is left to play; None where nobody asked."""


class Lost(msgspec.Struct, frozen=True, tag=True):
    """The device is missing. The process ends."""

    why: str


class Wrong(msgspec.Struct, frozen=True, tag=True):
    """The device is unsuitable for the room. The process ends."""

    findings: tuple[Finding, ...]


Answer = Opened | Written | Lost | Wrong
