"""A small collection of evenings and the piece that they are surveyed under, all made up."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import numpy as np
import soundfile

from residue.archive.bag import seal
from residue.archive.performance import FILE_NAME, Channel, ChannelKind, Performance, write_performance

PIECE = """
title = "Bread Shelf"
outputs = ["left", "right"]
closing_fade_s = 1

[node.arm]
kind = "channel"
channel = "forearm"

[node.push]
kind = "envelope"
input = "arm"

[node.heart]
kind = "channel"
channel = "beats"
rate = "events"

[node.rate]
kind = "heart_rate"
input = "heart"

[node.tone]
kind = "oscillator"
frequency_hz = 1000
gain_db = { from = "push", at = [0.0, 1.0], gives = [-20.0, -6.0] }

[node.hall]
kind = "output"
input = "tone"
to = ["left", "right"]

[[section]]
name = "quiet hands"
at_most_s = 2

[[section]]
name = "well kneaded"
at_most_s = 600

[[section]]
name = "rest"
at_most_s = 10
"""
BEAT_MS = 800
"""75 beats a minute."""


def piece(folder: Path) -> Path:
    """The piece alone, without a room and hours."""
    folder.mkdir()
    (folder / "piece.toml").write_text(PIECE, encoding="utf-8")
    return folder


def evening(folder: Path, number: int, duration_s: float = 6.0, *, channel: str = "forearm") -> Path:
    """One sealed evening within `folder`: a muscle, and a heart that beats evenly."""
    name = f"evening-{number:03d}"
    recorded = folder / ".recorded" / name
    recorded.mkdir(parents=True)
    muscle = np.random.default_rng(number).normal(0.0, 0.1, round(duration_s * 1_000)).clip(-0.9, 0.9)
    soundfile.write(recorded / "arm.flac", muscle, 1_000, subtype="PCM_16")
    beats = f"{BEAT_MS}\n" * int(duration_s * 1_000 / BEAT_MS)
    (recorded / "beats.txt").write_text(beats, encoding="utf-8")
    channels = {
        channel: Channel(kind=ChannelKind.MMG, file="arm.flac", unit="V"),
        "beats": Channel(kind=ChannelKind.RR, file="beats.txt", unit="ms"),
    }
    text = write_performance(Performance(title=f"Evening {number}", channel=channels))
    (recorded / FILE_NAME).write_text(text, encoding="utf-8")
    return seal(recorded, folder / name, {}, date(2026, 3, 1)).path


def collection(folder: Path, count: int, duration_s: float = 6.0, longer_s: float = 0.1) -> Path:
    """So many evenings; each lasts so much longer than the one before."""
    for number in range(count):
        evening(folder, number, duration_s + longer_s * number)
    return folder


def flip_a_bit(file: Path) -> None:
    """The last bit in the middle of a file."""
    content = bytearray(file.read_bytes())
    content[len(content) // 2] ^= 1
    file.write_bytes(content)
