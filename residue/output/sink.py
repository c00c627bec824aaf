"""The one protocol of everything that takes sound."""

from __future__ import annotations

from typing import Protocol

from residue.loudness.capped import Capped


class SinkLostError(Exception):
    """The sink can take nothing more until it is opened again: unplugged, or its server ended."""


class Sink(Protocol):
    """Takes capped frames at the pace of the house. `write` blocks until there is room: it is the engine's clock."""

    latency_s: float
    """From the return of `write` until the first of the frames written is heard."""

    def write(self, capped: Capped) -> None:
        """Play these frames after those written before.

        Raises SinkLostError.
        """

    def close(self) -> None:
        """Let go of the device; what was written last is not waited for."""
