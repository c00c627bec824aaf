"""That every hop could be the last: beside filters that are stepped through, and whatever is done to what is played."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st
from scipy import signal

from residue.loudness.caps.caps import CapEntry, expand
from residue.loudness.caps.ears import ear_of
from residue.loudness.caps.instants import instant_cap
from residue.loudness.meters.hops import HOP_FRAMES, WeightingBank
from residue.loudness.meters.weightings import Weighting, sections
from residue.loudness.outputs.outputs import Output
from residue.loudness.stage.ending import Endings, Reach

OUTPUTS = {"left": Output(device_channel=1), "floor": Output(device_channel=2)}
CAPS = expand(
    [
        CapEntry(quantity="LCpeak", limit_dbfs=-20.0),
        CapEntry(quantity="LAFmax", limit_dbfs=-20.0, output="floor"),
    ]
)
EARS = tuple(ear_of(cap, OUTPUTS) for cap in CAPS)
INSTANTS = [instant_cap(cap, ear) for ear, cap in enumerate(CAPS)]
WEIGHTINGS = (Weighting.A, Weighting.C)
RISE = np.arange(1, HOP_FRAMES + 1) / HOP_FRAMES


def test_hops_fade_out_as_they_would_if_they_were_stepped_through() -> None:
    rng = np.random.default_rng(3)
    hops = rng.standard_normal((12, 2, HOP_FRAMES)) * rng.choice([0.01, 1.0], (12, 2, 1))
    hops += np.sin(np.arange(12 * HOP_FRAMES) * 2 * np.pi * 13 / 48_000).reshape(12, 1, HOP_FRAMES)
    end, stepped = Endings(2), WeightingBank(WEIGHTINGS, 2)
    silence = stepped.copy()(np.zeros((2, HOP_FRAMES)))
    for hop in hops:
        found, ending = end(hop), stepped.copy()
        as_it_is, faded = stepped(hop), ending(hop * (1.0 - RISE))
        for name in WEIGHTINGS:
            assert np.array_equal(found[name], np.concatenate((as_it_is[name], faded[name], silence[name])))
        silence = ending(np.zeros((2, HOP_FRAMES)))


@given(st.integers(0, 9_999), st.floats(-40.0, 0.0))
def test_what_is_within_reach_holds_whatever_is_done_to_it(seed: int, level_db: float) -> None:
    rng = np.random.default_rng(seed)
    reach = Reach(INSTANTS, EARS, 2)
    low = np.sin(2 * np.pi * rng.uniform(5.0, 60.0) * np.arange(6 * HOP_FRAMES) / 48_000)
    played = 10 ** (level_db / 20) * np.stack([low, rng.uniform(-1.0, 1.0, low.shape)])
    within = [reach(played[:, at : at + HOP_FRAMES]) for at in range(0, low.size, HOP_FRAMES)]
    moved = played * np.repeat(
        rng.choice([0.0, 1.0], low.size // 480), 480
    )  # it breaks off and begins, a hundred a second
    of_peak = (
        np.abs(signal.sosfilt(sections(Weighting.C, 48_000), moved, axis=1)).sum(axis=0).reshape(6, -1).max(axis=1)
    )
    power = signal.sosfilt(sections(Weighting.A, 48_000), moved[1]) ** 2
    fall = np.exp(-1.0 / (0.125 * 48_000))  # IEC 61672-1:2013, 5.8
    fast = signal.lfilter([1.0 - fall], [1.0, -fall], power).reshape(6, -1)
    for hop, held in enumerate(within):
        if held:
            assert of_peak[hop] <= INSTANTS[0].bound
            assert np.max(fast[hop]) <= INSTANTS[1].bound


def test_something_is_within_reach_and_something_is_not() -> None:
    reach = Reach([instant_cap(CAPS[0], 0)], EARS, 2)
    assert reach(np.full((2, HOP_FRAMES), 0.001))
    assert not reach(np.full((2, HOP_FRAMES), 0.1))
    after = [reach(np.zeros((2, HOP_FRAMES))) for _ in range(11)]
    assert after == [False] * 10 + [True], "what was loud just now may still break off, and a second later it is gone"


def test_caps_that_come_later_know_what_was_played_before_them() -> None:
    reach = Reach((), (), 2)
    assert reach(np.full((2, HOP_FRAMES), 0.1)), "there is no cap yet"
    reach.heed([instant_cap(CAPS[0], 0)], EARS)
    after = [reach(np.zeros((2, HOP_FRAMES))) for _ in range(11)]
    assert after == [False] * 10 + [True]
