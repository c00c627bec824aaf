"""The promise of the governor against everything that may go wrong around it, by a meter that shares nothing with it.

Bursts, silence and then full scale, low rumble, a plan that is wrong by any factor, the trim moved at random, and the
process ended in the middle and begun again with what the log had by then. The meter filters all that was sent with
scipy and slides the window of the cap over it sample by sample.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy import signal as sps

from residue.loudness.calibration import Calibration, offset_db
from residue.loudness.caps import Cap
from residue.loudness.ears import ear_of
from residue.loudness.governor import Governor
from residue.loudness.history import SentHistory, SentRow
from residue.loudness.hops import HOP_FRAMES, HOP_S
from residue.loudness.levels import db_of_power
from residue.loudness.outputs import Output
from residue.loudness.quantities import QUANTITIES
from residue.loudness.weightings import sections

Floats = NDArray[np.float64]
RATE_HZ = 48_000
EXAMPLES = int(os.environ.get("CAP_EXAMPLES", "2000"))

CALIBRATED = Calibration(played_dbfs=-20.0, read_dba=74.0, read_dbc=76.0, on=date(2026, 3, 2))
OUTPUTS = {
    "left": Output(device_channel=1, calibration=CALIBRATED),
    "floor": Output(device_channel=2, calibration=CALIBRATED, transducer="shaker"),
}


def cap(quantity: str, window_s: float, limit: float, *, physical: bool = True, at: str = "place") -> Cap:
    return Cap(f"{quantity} {window_s}", QUANTITIES[quantity], window_s, limit, physical, at)


CAPS = [
    (cap("LAeq", 0.5, 70.0),),
    (cap("LCeq", 0.3, 72.0), cap("LAeq", 1.0, 66.0)),
    (cap("LZeq", 0.4, -30.0, physical=False, at="floor"),),
    (cap("LKeq", 0.7, -25.0, physical=False),),
    (cap("LGeq", 0.5, -40.0, physical=False),),
]


@dataclass(frozen=True)
class Run:
    """What one process is given to play, and how it ended."""

    hops: list[Floats]
    logged: int
    """Of its hops, how many the log had when it ended; the rest is lost."""
    pause_hops: int
    """Of silence until the next run."""
    clock_back_s: float
    """By how much the log's ages come out too small."""


KINDS = st.sampled_from(["noise", "tone", "rumble", "click", "full scale", "silence"])
WAVES = np.arange(4 * HOP_FRAMES) / RATE_HZ


def wave(kind: str, seed: int) -> Floats:
    """(2, frames) of up to four hops."""
    rng = np.random.default_rng(seed)
    length = int(rng.integers(1, len(WAVES)))
    time = WAVES[:length]
    made = {
        "noise": lambda: rng.standard_normal(length),
        "tone": lambda: np.sin(2 * np.pi * rng.uniform(100, 15_000) * time),
        "rumble": lambda: np.sin(2 * np.pi * rng.uniform(8, 40) * time),
        "click": lambda: np.where(np.arange(length) % int(rng.integers(300, 9000)) == 0, 4.0, 0.0),
        "full scale": lambda: np.sign(np.sin(2 * np.pi * 97.0 * time)),
        "silence": lambda: np.zeros(length),
    }[kind]()
    return made * rng.choice([0.0, 0.003, 0.1, 1.0], size=(2, 1))


@st.composite
def runs(draw: st.DrawFn) -> list[Run]:
    return [draw(one_run()) for _ in range(draw(st.sampled_from([1, 1, 2, 3])))]


@st.composite
def one_run(draw: st.DrawFn) -> Run:
    parts = draw(st.lists(st.tuples(KINDS, st.integers(0, 9999)), min_size=1, max_size=5))
    sound = np.concatenate([wave(*part) for part in parts], axis=1)
    hops = -(-sound.shape[1] // HOP_FRAMES)
    sound = np.pad(sound, ((0, 0), (0, hops * HOP_FRAMES - sound.shape[1])))
    rng = np.random.default_rng(draw(st.integers(0, 9999)))
    wrong_plan, trims = 10 ** (draw(st.floats(-30.0, 12.0)) / 20), rng.choice([0.0, 0.2, 1.0], size=hops)
    cut = np.split(sound * wrong_plan * np.repeat(trims, HOP_FRAMES), hops, axis=1)
    return Run(cut, draw(st.integers(max(0, hops - 3), hops)), draw(st.integers(0, 6)), draw(st.sampled_from([0.0, 1e3])))


def rows_of(sent: list[tuple[Floats, int]], ages_hops: list[int], ears: list[str], back_s: float) -> Iterator[SentRow]:
    for (energy, _), age in zip(sent, ages_hops, strict=True):
        levels = {key: db_of_power(float(e) / HOP_FRAMES) for key, e in zip(ears, energy, strict=True)}
        yield SentRow(age * HOP_S - back_s, HOP_S, levels)
