"""The promise of the governor against everything that may go wrong around it, by a meter that shares nothing with it.

Bursts, silence and then full scale, low rumble, a plan that is wrong by any factor, the trim moved at random, and the
process ended in the middle and begun again with what the log had by then. The meter filters all that was sent with
scipy and slides the window of the cap over it sample by sample.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date

import numpy as np
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy import signal as sps

from residue.loudness.caps.caps import Cap
from residue.loudness.caps.ears import ear_of
from residue.loudness.caps.quantities import QUANTITIES
from residue.loudness.meters.hops import HOP_FRAMES, HOP_S
from residue.loudness.meters.levels import db_of_power
from residue.loudness.meters.weightings import sections
from residue.loudness.outputs.calibration import Calibration, offset_db
from residue.loudness.outputs.outputs import Output
from residue.loudness.stage.governor import Governor
from residue.loudness.stage.history import SentHistory, SentRow, Unlogged
from tests.properties import tries

Floats = NDArray[np.float64]
RATE_HZ = 48_000

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
    (cap("LCpeak", 0.0, 85.0),),
    (cap("LAFmax", 0.0, 55.0), cap("LCeq", 0.4, 80.0)),
]
FAST_FALL = np.exp(-1.0 / (0.125 * RATE_HZ))
"""A sample later: IEC 61672-1:2013, 3.8, an exponential mean of 125 ms."""


@dataclass(frozen=True)
class Run:
    """What one process is given to play, and how it ended."""

    hops: list[Floats]
    lost: int
    """Of its last hops, how many the log had not yet taken when it ended."""
    pause_hops: int
    """Of silence until the next run."""
    clock_back_s: float
    """By how much the ages of the log's rows then come out too small."""


KINDS = st.sampled_from(["noise", "tone", "rumble", "click", "full scale", "silence"])
WAVES = np.arange(2 * HOP_FRAMES) / RATE_HZ


def wave(kind: str, seed: int) -> Floats:
    """(2, frames) of up to two hops."""
    rng = np.random.default_rng(seed)
    length = int(rng.integers(1, len(WAVES)))
    time = WAVES[:length]
    if kind == "noise":
        made = rng.standard_normal(length)
    elif kind == "click":
        made = np.where(np.arange(length) % int(rng.integers(300, 9000)) == 0, 4.0, 0.0)
    elif kind == "full scale":
        made = np.sign(np.sin(2 * np.pi * 97.0 * time))
    else:
        low_hz, high_hz = {"tone": (100.0, 15_000.0), "rumble": (8.0, 40.0), "silence": (0.0, 0.0)}[kind]
        made = np.sin(2 * np.pi * rng.uniform(low_hz, high_hz) * time)
    shares: Floats = rng.choice(np.array([0.0, 0.003, 0.1, 1.0]), size=(2, 1))
    return made * shares


@st.composite
def one_run(draw: st.DrawFn) -> Run:
    parts = draw(st.lists(st.tuples(KINDS, st.integers(0, 9999)), min_size=1, max_size=4))
    sound = np.concatenate([wave(*part) for part in parts], axis=1)
    hops = -(-sound.shape[1] // HOP_FRAMES)
    sound = np.pad(sound, ((0, 0), (0, hops * HOP_FRAMES - sound.shape[1])))
    rng = np.random.default_rng(draw(st.integers(0, 9999)))
    wrong_plan = 10 ** (draw(st.floats(-30.0, 12.0)) / 20)
    trims = np.repeat(rng.choice([0.0, 0.2, 1.0, 1.0], size=hops), HOP_FRAMES)
    return Run(
        hops=np.split(sound * wrong_plan * trims, hops, axis=1),
        lost=draw(st.integers(0, min(3, hops))),
        pause_hops=draw(st.integers(0, 6)),
        clock_back_s=draw(st.sampled_from([0.0, 0.25, 1000.0])),
    )


def played(runs: list[Run], caps: tuple[Cap, ...]) -> list[Floats]:
    """(2, frames) for each run and the pause after it. A run begins with what the log tells of the others."""
    given: list[Floats] = []
    at = 0
    log: list[tuple[int, SentRow]] = []
    unlogged: list[tuple[int, float]] = []
    back_s = 0.0
    ears = {ear_of(one, OUTPUTS).key: ear_of(one, OUTPUTS) for one in caps}
    for run in runs:
        rows = [replace(row, age_s=(at - ended) * HOP_S - back_s) for ended, row in log]
        cut = [Unlogged((at - started) * HOP_S - back_s, duration_s) for started, duration_s in unlogged]
        governor = Governor(list(ears.values()), OUTPUTS, caps, SentHistory(rows, cut))
        sent: list[Floats] = []
        found = []
        for hop in run.hops:
            sent.append(governor(hop))
            at += 1
            levels = {
                key: db_of_power(float(e) / HOP_FRAMES) for key, e in zip(ears, governor.heard.energy, strict=True)
            }
            found.append((at, SentRow(0.0, HOP_S, levels)))
        assert governor.cuts == 0 or log or unlogged  # nothing has to be silenced but by what was before
        log += found[: len(found) - run.lost]
        # What was lost was sent just now, and so is what the log takes it for, as long as nothing paused.
        back_s = run.clock_back_s
        given += [np.concatenate(sent, axis=1), np.zeros((2, run.pause_hops * HOP_FRAMES))]
        at += run.pause_hops
        if run.lost:
            unlogged.append((at, (run.lost + run.pause_hops) * HOP_S))
    return given


def highest_window(given: list[Floats], cap: Cap) -> float:
    """The level of a cap over the worst window at any sample, or at the worst sample, in its unit.

    Each run is weighted for itself: that a sound breaks off when a process is killed is a click that nobody sends.
    """
    weighting = cap.quantity.weighting
    sos = sections(weighting, RATE_HZ)
    weighted = np.concatenate([sps.sosfilt(sos, part, axis=1) for part in given if part.size], axis=1)
    if cap.physical:
        for row, output in zip(weighted, OUTPUTS.values(), strict=True):
            row *= 10 ** (offset_db(CALIBRATED, weighting, output.transducer) / 20)
    if cap.at != "place":
        weighted = weighted[[list(OUTPUTS).index(cap.at)]]
    frames, worst = round(cap.window_s * RATE_HZ), 0.0
    arriving = np.sum(weighted, axis=0)
    if cap.quantity.name == "LCpeak":
        return 20.0 * float(np.log10(max(np.max(np.abs(arriving)), np.max(np.abs(weighted))) + 1e-30))
    for power in (arriving**2, np.sum(weighted**2, axis=0)):
        if cap.quantity.name == "LAFmax":
            worst = max(worst, float(np.max(sps.lfilter([1.0 - FAST_FALL], [1.0, -FAST_FALL], power))))
            continue
        running = np.cumsum(np.concatenate((np.zeros(frames + 1), power)))
        worst = max(worst, float(np.max(running[frames:] - running[:-frames])) / frames)
    return 10.0 * float(np.log10(worst + 1e-30))


@tries(many=2_000)
@given(st.lists(one_run(), min_size=1, max_size=3), st.sampled_from(CAPS))
def test_no_window_at_any_sample_passes_its_cap_whatever_happens(runs: list[Run], caps: tuple[Cap, ...]) -> None:
    given = played(runs, caps)
    for cap in caps:
        assert highest_window(given, cap) <= cap.limit + 1e-6, cap.name
