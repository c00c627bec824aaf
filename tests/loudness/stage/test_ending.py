"""That every hop could be the last: beside filters that are stepped through, and whatever is done to what is played."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import signal

from residue.loudness.caps.caps import CapEntry, expand
from residue.loudness.caps.ears import ear_of
from residue.loudness.caps.instants import instant_cap
from residue.loudness.caps.listeners import Hearing, Listener
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
RISE = np.arange(1, HOP_FRAMES + 1) / HOP_FRAMES


@pytest.mark.parametrize("cut", [1, 3, 12], ids=lambda cut: f"{cut} at once")
def test_hops_fade_out_as_they_would_if_they_were_stepped_through(cut: int) -> None:
    rng = np.random.default_rng(3)
    hops = rng.standard_normal((2, 12, HOP_FRAMES)) * rng.choice([0.01, 1.0], (2, 12, 1))
    hops += np.sin(np.arange(12 * HOP_FRAMES) * 2 * np.pi * 13 / 48_000).reshape(12, HOP_FRAMES)
    listen = Listener(EARS, INSTANTS)
    bank, end = WeightingBank({Weighting.A, Weighting.C}, 2), Endings(EARS, INSTANTS, 2)
    stepped, memories, expected = Hearing({Weighting.A, Weighting.C}, 2), [], []
    for number in range(12):
        ending = stepped.copy()
        memories.append(stepped.memory)
        faded = ending(hops[:, number] * (1.0 - RISE), listen)[1]
        silence = ending(np.zeros((2, HOP_FRAMES)), listen)[1]
        expected.append((faded.peak, faded.fast, silence.peak, silence.fast))
        stepped(hops[:, number], listen)
    found = []
    for at in range(0, 12, cut):
        some = hops[:, at : at + cut]
        weighted = bank(np.ascontiguousarray(some).reshape(2, -1))
        by_hop = {name: one.reshape(some.shape) for name, one in weighted.items()}
        found.append(end(some, by_hop, memories[at : at + cut]))
    faded_peak, faded_fast, after_peak, after_fast = (np.concatenate(part, axis=1) for part in zip(*found, strict=True))
    for number in range(12):
        assert faded_peak[:, number] == pytest.approx(expected[number][0], rel=1e-9)
        assert faded_fast[:, number] == pytest.approx(expected[number][1], rel=1e-9)
        if number < 11:
            assert after_peak[:, number + 1] == pytest.approx(expected[number][2], rel=1e-6, abs=1e-9)
            assert after_fast[:, number + 1] == pytest.approx(expected[number][3], rel=1e-6, abs=1e-12)


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
