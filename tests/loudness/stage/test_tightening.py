"""Stricter caps and lower trims that come into force while the cap stage runs."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from residue.loudness.caps.caps import CapEntry, expand
from residue.loudness.caps.ears import ears
from residue.loudness.meters.hops import HOP_FRAMES
from residue.loudness.outputs.outputs import Output
from residue.loudness.stage.governor import Governor
from residue.loudness.stage.history import LogLag, SentHistory, SentRow
from residue.loudness.stage.stage import LATENCY_FRAMES, CapStage
from tests.loudness.stage.test_governor import OUTPUTS, highest_window
from tests.properties import tries

Floats = NDArray[np.float64]
RATE_HZ = 48_000
LOOSE = [CapEntry(quantity="LAeq", window_s=2.0, limit_db=84.0), CapEntry(quantity="LCpeak", limit_db=110.0)]
STRICTER = st.sampled_from(
    [
        [CapEntry(quantity="LAeq", window_s=2.0, limit_db=78.0), LOOSE[1]],
        [CapEntry(quantity="LAeq", window_s=2.0, limit_db=60.0), LOOSE[1]],
        [*LOOSE, CapEntry(quantity="LCeq", window_s=1.3, limit_db=80.0)],
        [*LOOSE, CapEntry(quantity="LAeq", window_s=5.0, limit_db=76.0)],
        [LOOSE[0], CapEntry(quantity="LCpeak", limit_db=88.0)],
        [*LOOSE, CapEntry(quantity="LAFmax", limit_db=75.0)],
    ]
)


def noise(seconds: float, level_db: float, seed: int = 5) -> Floats:
    made: Floats = np.random.default_rng(seed).standard_normal((2, round(seconds * RATE_HZ))) * 10 ** (level_db / 20)
    return made


def sent(stage: CapStage, signal: Floats) -> Floats:
    return stage.process(signal).frames


def tightened(signal: Floats, before: list[CapEntry], after: list[CapEntry], at: int) -> tuple[Floats, CapStage]:
    stage = CapStage(OUTPUTS, expand(before))
    first = sent(stage, signal[:, :at])
    stage.tighten(OUTPUTS, expand(after))
    return np.concatenate([first, sent(stage, signal[:, at:])], axis=1), stage


@given(st.integers(0, 10**6), st.floats(-30.0, 6.0), STRICTER, st.integers(0, 20))
@tries(quick=10, many=200)
def test_from_the_next_hop_on_the_stricter_caps_hold_and_what_was_sent_counts(
    seed: int, level_db: float, entries: list[CapEntry], hops_before: int
) -> None:
    """Of windows that are over the limit by what was sent before, nothing may be added; all others stay within it."""
    at = hops_before * HOP_FRAMES
    signal = np.concatenate([noise(3.0, level_db, seed), np.zeros((2, 6 * HOP_FRAMES))], axis=1)
    out, stage = tightened(signal, LOOSE, entries, at)
    boundary = at + 2 * HOP_FRAMES  # the hop that is sent, and the hop that is held, were let through before
    before = out.copy()
    before[:, boundary:] = 0.0
    for cap in expand(entries):
        allowed = max(cap.limit, highest_window(before, cap))
        assert highest_window(out, cap) <= allowed + 1e-6, cap
        frames = round(cap.window_s * RATE_HZ)
        clear = out.copy()
        clear[:, : boundary + (RATE_HZ if not frames else 0)] = 0.0
        assert highest_window(clear, cap) <= cap.limit + 1e-6, cap
    assert stage.reading().cut_hops == 0


def steepest(out: Floats) -> float:
    return float(np.max(np.abs(np.diff(out, n=2))))


@pytest.mark.parametrize("limit_db", [82.0, 70.0, 40.0])
def test_a_cap_that_is_lowered_fades_without_a_click(limit_db: float) -> None:
    """A tone of 200 Hz bends by (2 pi f / fs)² of its amplitude at most; a click bends far more."""
    tone = 0.3 * np.sin(2 * np.pi * 200.0 * np.arange(5 * RATE_HZ) / RATE_HZ)
    signal = np.stack([tone, 0.0 * tone])
    loose, stricter = (CapEntry(quantity="LAeq", window_s=1.0, limit_db=limit) for limit in (100.0, limit_db))
    out, _ = tightened(signal, [loose], [stricter], 3 * RATE_HZ)
    playing = out[0, 2 * RATE_HZ : 3 * RATE_HZ]
    assert np.max(np.abs(playing)) == pytest.approx(0.3, rel=0.02)
    after = out[0, 2 * RATE_HZ :]
    assert steepest(after) <= 1.05 * steepest(playing)
    assert np.max(np.abs(after[2 * RATE_HZ :])) < 0.3


def test_a_lower_peak_after_a_loud_hop_lowers_what_is_quiet_no_further_than_it_must() -> None:
    """The held hop is over the new limit of -12 dB by 6 dB, so it has to fall; the quiet hop after it does not."""
    loose, stricter = (expand([CapEntry(quantity="LCpeak", limit_dbfs=limit)]) for limit in (6.0, -12.0))
    outputs = {"left": Output(device_channel=1)}
    govern = Governor(ears(outputs, loose), outputs, loose, SentHistory())
    loud = 0.5 * np.cos(2 * np.pi * 50.0 * np.arange(1, 12 * HOP_FRAMES + 1) / RATE_HZ)
    for hop in loud.reshape(12, 1, HOP_FRAMES):
        govern(hop)
    govern.tighten(ears(outputs, stricter), outputs, stricter)
    govern(np.full((1, HOP_FRAMES), 0.001))
    assert govern.gain > 0.25


@pytest.mark.parametrize("lower_db", [3.0, 12.0, 30.0])
def test_a_lower_maximum_under_f_is_silent_only_until_what_was_sent_has_decayed(lower_db: float) -> None:
    """F falls by 34.7 dB in a second of silence (IEC 61672-1:2013, 5.8.2: 125 ms); then it is as loud as it may be."""
    tone = 0.3 * np.sin(2 * np.pi * 1000.0 * np.arange(6 * RATE_HZ) / RATE_HZ)[np.newaxis]
    outputs = {"left": Output(device_channel=1)}
    loose, stricter = (expand([CapEntry(quantity="LAFmax", limit_dbfs=-10.0 - by)]) for by in (0.0, lower_db))
    stage = CapStage(outputs, loose)
    first = stage.process(tone[:, : 2 * RATE_HZ]).frames
    stage.tighten(outputs, stricter)
    out = np.concatenate([first, stage.process(tone[:, 2 * RATE_HZ :]).frames], axis=1)[0]
    quiet_s = 0.4 + lower_db / 34.7 + 0.3
    levels_db = 10 * np.log10(np.mean(out[round((2 + quiet_s) * RATE_HZ) :].reshape(1, -1)[:, : 2 * RATE_HZ] ** 2))
    assert stricter[0].limit - 1.0 < levels_db <= stricter[0].limit


def test_while_nothing_is_written_down_no_hop_after_a_stricter_cap_uses_more_than_half_of_it() -> None:
    """A quiet hop leaves room to return at once; the loud one before it, which is sent meanwhile, does not."""
    loose, stricter = (
        expand([CapEntry(quantity="LZeq", window_s=600.0, limit_dbfs=limit)]) for limit in (-10.0, -40.0)
    )
    outputs = {"left": Output(device_channel=1)}
    signal = noise(6.0, -20.0)[:1]
    signal[:, 35 * HOP_FRAMES : 36 * HOP_FRAMES] *= 1e-4
    stage = CapStage(outputs, loose)
    stage.spare(LogLag.ROWS)
    first = sent(stage, signal[:, : 20 * HOP_FRAMES])
    stage.tighten(outputs, stricter)
    out = np.concatenate([first, sent(stage, signal[:, 20 * HOP_FRAMES :])], axis=1)
    hops_db = 10 * np.log10(np.mean(out.reshape(-1, HOP_FRAMES) ** 2, axis=1) + 1e-30)
    assert -44.0 < np.max(hops_db[25:]) <= stricter[0].limit - 3.0103


def test_a_stricter_cap_that_is_kept_already_changes_no_bit() -> None:
    signal = noise(4.0, -40.0)
    never = sent(CapStage(OUTPUTS, expand(LOOSE)), signal)
    out, _ = tightened(signal, LOOSE, [CapEntry(quantity="LAeq", window_s=2.0, limit_db=83.0), LOOSE[1]], 96_000)
    assert np.array_equal(out, never)


def test_what_was_sent_before_the_start_counts_against_a_cap_that_comes_later() -> None:
    """100 s at 70 dB(A), ended 30 s before the start, are more than 66 dB(A) over 200 s that come 5 s after it."""
    cap = CapEntry(quantity="LAeq", window_s=200.0, limit_db=66.0)
    row = SentRow(30.0, 100.0, {"A at place, dB, at most": 70.0})
    stage = CapStage(OUTPUTS, expand(LOOSE), SentHistory([row]))
    sent(stage, np.zeros((2, 5 * RATE_HZ)))
    stage.tighten(OUTPUTS, expand([*LOOSE, cap]))
    told = next(one for one in stage.reading().caps if one.name == "LAeq over 200 s")
    assert told.level == pytest.approx(10 * np.log10(0.5 * 10**7.0), abs=0.01)
    assert not np.any(sent(stage, noise(2.0, -20.0))[:, LATENCY_FRAMES:]), "the budget is full"


def test_a_row_of_an_ear_that_is_new_begins_with_the_next_whole_tally() -> None:
    """Part of a second would be told as less than was sent; what no row tells counts as sent at the limit."""
    stage = CapStage(OUTPUTS, expand(LOOSE))
    sent(stage, noise(0.5, -30.0))
    stage.tighten(OUTPUTS, expand([*LOOSE, CapEntry(quantity="LKeq", window_s=1.0, limit_dbfs=-10.0)]))
    sent(stage, noise(0.5, -30.0))
    assert "K at place, dBFS, at most" not in stage.take_tally().sent
    sent(stage, noise(1.0, -30.0))
    assert stage.take_tally().sent["K at place, dBFS, at most"] < -10.0


def test_a_lower_trim_is_reached_within_a_hop_and_without_a_click() -> None:
    tone = 0.01 * np.sin(2 * np.pi * 200.0 * np.arange(4 * RATE_HZ) / RATE_HZ)
    signal = np.stack([tone, 0.0 * tone])
    stage = CapStage(OUTPUTS, expand(LOOSE))
    first = sent(stage, signal[:, : 3 * RATE_HZ])
    lower = {"left": Output(device_channel=1, calibration=OUTPUTS["left"].calibration, trim_db=-20.0)}
    stage.tighten({**OUTPUTS, **lower}, expand(LOOSE))
    out = np.concatenate([first, sent(stage, signal[:, 3 * RATE_HZ :])], axis=1)[0]
    done = 3 * RATE_HZ + LATENCY_FRAMES + HOP_FRAMES
    assert np.max(np.abs(out[done : done + 4_800])) == pytest.approx(0.001, rel=0.05)
    assert steepest(out[2 * RATE_HZ :]) <= 1.05 * steepest(out[2 * RATE_HZ : 3 * RATE_HZ])
