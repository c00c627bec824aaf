"""A tiny installation, open at every hour: two evenings of a muscle's murmur, and one room with two outputs."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import numpy as np
import soundfile

from residue.archive.bag import seal
from residue.archive.performance import FILE_NAME, Channel, ChannelKind, Performance, write_performance

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

[node.hall]
kind = "output"
input = "murmur"
to = ["left", "right"]

[[section]]
name = "quiet hands"
at_most_s = 600
"""

LAMP = """
[node.glow]
kind = "lamp"
input = "slow_arm"

[node.slow_arm]
kind = "channel"
channel = "forearm"
"""
"""A lamp that follows the forearm, to be added to the piece."""

ROOM = """
place = "Kitchen"
device = "silent"
levels_at_the_ear = "unknown"

[output.left]
device_channel = 1

[output.right]
device_channel = 2

[[cap]]
quantity = "LAeq"
window_s = 60
limit_dbfs = -20.0

[control]
port = {port}
"""

HOURS = """
time_zone = "Europe/Berlin"

[weekly]
mon = ["00:00-24:00"]
tue = ["00:00-24:00"]
wed = ["00:00-24:00"]
thu = ["00:00-24:00"]
fri = ["00:00-24:00"]
sat = ["00:00-24:00"]
sun = ["00:00-24:00"]

[programme]
performances = ["first-batch", "second-batch"]
rest_s = 5
"""


def build(folder: Path, port: int, duration_s: float = 30.0) -> Path:
    """The installation, in a folder of its own within `folder`."""
    installation = folder / "short-dough"
    (installation / "performances").mkdir(parents=True)
    (installation / "piece.toml").write_text(PIECE, encoding="utf-8")
    (installation / "room.toml").write_text(ROOM.format(port=port), encoding="utf-8")
    (installation / "hours.toml").write_text(HOURS, encoding="utf-8")
    for seed, name in enumerate(["first-batch", "second-batch"]):
        _evening(folder / f"recorded-{name}", seed, duration_s)
        seal(folder / f"recorded-{name}", installation / "performances" / name, {}, date(2026, 3, 1))
    return installation


def name_hours_folder(installation: Path, folder: Path) -> None:
    """From now on the hours are those of the folder."""
    with (installation / "room.toml").open("a", encoding="utf-8") as room:
        room.write(f'\n[hours_folder]\npath = "{folder}"\n')


def _evening(folder: Path, seed: int, duration_s: float) -> None:
    folder.mkdir()
    murmur = np.random.default_rng(seed).normal(0.0, 0.1, round(duration_s * 48_000)).clip(-0.9, 0.9)
    soundfile.write(folder / "arm.flac", murmur, 48_000, subtype="PCM_16")
    channel = Channel(kind=ChannelKind.MMG, file="arm.flac", unit="V")
    text = write_performance(Performance(title=folder.name, channel={"forearm": channel}))
    (folder / FILE_NAME).write_text(text, encoding="utf-8")
