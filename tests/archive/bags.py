"""Small recordings and bags for the tests, all made up: an evening in a bakery."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date, datetime, timedelta, timezone
from pathlib import Path

import edfio
import numpy as np
import soundfile
from numpy.typing import NDArray

from residue.archive.bag import Bag, seal
from residue.archive.performance import FILE_NAME, Channel, ChannelKind, Performance, write_performance

SEALED_ON = date(2026, 3, 1)
RECORDED = datetime(2026, 2, 11, 23, 40, tzinfo=timezone(timedelta(hours=1)))


def performance(channels: Mapping[str, Channel], title: str = "First Batch") -> Performance:
    """An evening with these channels."""
    return Performance(title=title, performer="Ida Brandt", recorded=RECORDED, channel=dict(channels))


def write_flac(path: Path, seconds: float = 2.0, rate_hz: int = 48_000, tracks: int = 2) -> NDArray[np.float64]:
    """Noise of two forearms, on the grid of 24 bits; returns (tracks, frames) as it can be read back."""
    noise = np.random.default_rng(3).uniform(-0.5, 0.5, (tracks, int(seconds * rate_hz)))
    exact = np.round(noise * (1 << 23)) / (1 << 23)
    soundfile.write(path, exact.T, rate_hz, subtype="PCM_24")
    return exact


def write_edf(path: Path, seconds: int = 4, rate_hz: int = 256) -> None:
    """One EEG signal, O1."""
    samples = np.random.default_rng(4).normal(0, 50, seconds * rate_hz)
    edfio.Edf([edfio.EdfSignal(samples, rate_hz, label="O1", physical_dimension="uV")]).write(path)


CHANNELS = {
    "forearm_left": Channel(kind=ChannelKind.MMG, file="arms.flac", track=1, unit="V", full_scale=0.5),
    "forearm_right": Channel(kind=ChannelKind.MMG, file="arms.flac", track=2, unit="V"),
    "back_of_head": Channel(kind=ChannelKind.EEG, file="head/eeg.edf", signal="O1", unit="uV", start_s=0.5),
    "beats": Channel(kind=ChannelKind.RR, file="beats.txt", unit="ms"),
}


def recorded_folder(folder: Path) -> Path:
    """A folder with performance.toml and what it names."""
    (folder / "head").mkdir(parents=True)
    write_flac(folder / "arms.flac")
    write_edf(folder / "head" / "eeg.edf")
    (folder / "beats.txt").write_text("# milliseconds\n800\n850\n810\n720\n", encoding="utf-8")
    (folder / FILE_NAME).write_text(write_performance(performance(CHANNELS)), encoding="utf-8")
    return folder


def sealed_bag(folder: Path) -> Bag:
    """The same, sealed, at folder / "first-batch"."""
    return seal(recorded_folder(folder / "recorded"), folder / "first-batch", {}, SEALED_ON)
