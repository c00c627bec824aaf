"""A small piece for two ears and a performance of some minutes, to be edited."""

from __future__ import annotations

from pathlib import Path

from residue.installation.drafts import draft
from residue.runtime.listening.opening import Version
from residue.runtime.planning.preparation import checkpoints_of, open_performance
from tests.runtime import kitchen

NAME = "first-batch"
PIECE = """
title = "Short Dough"
outputs = ["left", "right"]
closing_fade_s = 2

[node.arm]
kind = "channel"
channel = "forearm"
rate = "fast"

[node.murmur]
kind = "bandpass"
input = "arm"
low_hz = 30
high_hz = 200

[node.dull]
kind = "lowpass"
input = "murmur"
cutoff_hz = 120

[node.hall]
kind = "echo"
input = "dull"
delay_s = 0.4
feedback = 0.5

[node.dull_out]
kind = "output"
input = "hall"
to = ["left"]

[node.murmur_out]
kind = "output"
input = "murmur"
to = ["right"]

[[section]]
name = "quiet hands"
at_most_s = 70

[[section]]
name = "dough"
at_most_s = 600
set = { "murmur_out.gain_db" = -6.0 }
"""
SHARPER = ("cutoff_hz = 120", "cutoff_hz = 110")


def build(folder: Path, duration_s: float) -> Path:
    installation = kitchen.build(folder, 9_000, duration_s)
    for file in ("room.toml", "hours.toml"):
        (installation / file).unlink()
    write(installation)
    return installation


def write(installation: Path, edit: tuple[str, str] = ("", "")) -> None:
    """The piece with one edit."""
    text = PIECE.replace(*edit) if edit[0] else PIECE
    assert (text != PIECE) == bool(edit[0])
    (installation / "piece.toml").write_text(text, encoding="utf-8")


def version(installation: Path, cache: Path, edit: tuple[str, str] = ("", "")) -> Version:
    write(installation, edit)
    loaded = draft(installation, NAME, gallery=False)
    performance = open_performance(loaded, NAME, cache)
    return Version(loaded, performance, checkpoints_of(loaded, performance, cache))
