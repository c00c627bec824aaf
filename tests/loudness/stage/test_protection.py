"""What keeps loudspeakers and the startled safe."""

from math import pi

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from residue.loudness.caps.caps import CapEntry, expand
from residue.loudness.meters.hops import HOP_FRAMES, HOP_S
from residue.loudness.outputs.outputs import Output
from residue.loudness.stage.protection import QUIET_DBFS, SILENCE_S, Conditioner, OnsetGuard
from residue.loudness.stage.stage import CapStage

Floats = NDArray[np.float64]
RATE_HZ = 48_000


def guarded(signal: Floats, rise_db_per_s: float = 60.0) -> Floats:
    guard = OnsetGuard({"left": Output(device_channel=1, rise_db_per_s=rise_db_per_s)})
    hops = np.split(signal, signal.shape[1] // HOP_FRAMES, axis=1)
    return np.concatenate([*(guard(hop) for hop in hops), guard(np.zeros((1, HOP_FRAMES)))], axis=1)[:, HOP_FRAMES:]


def hop_levels_db(signal: Floats) -> Floats:
    levels: Floats = 10 * np.log10(np.mean(signal[0].reshape(-1, HOP_FRAMES) ** 2, axis=1) + 1e-12)
    return levels


@given(st.integers(0, 9), st.integers(1, 2 * HOP_FRAMES), st.floats(-50.0, 0.0), st.sampled_from([6.0, 30.0, 60.0]))
def test_from_silence_the_level_stays_below_a_line_that_rises_as_stated(
    seed: int, start: int, level_db: float, rise_db_per_s: float
) -> None:
    signal = np.zeros((1, 20 * HOP_FRAMES))
    noise = np.random.default_rng(seed).standard_normal(signal.shape[1] - start)
    signal[0, start:] = 10 ** (level_db / 20) * noise
    levels_db = hop_levels_db(guarded(signal, rise_db_per_s))
    first = start // HOP_FRAMES
    line_db = QUIET_DBFS + rise_db_per_s * HOP_S * (np.arange(20) - first + 1)
    assert np.all(levels_db[first:] <= line_db[first:] + 1e-4)


def test_what_rises_slowly_enough_is_untouched() -> None:
    frames = 30 * HOP_FRAMES
    swelling = 10 ** (np.linspace(-60.0, -10.0, frames) / 20)  # 17 dB/s
    tone = swelling * np.sin(2 * pi * 100 * np.arange(frames) / RATE_HZ)
    assert np.array_equal(guarded(tone[np.newaxis]), tone[np.newaxis])


SILENT_HOPS = round(SILENCE_S / HOP_S)
LOUD = 0.3 * np.sin(2 * pi * 100 * np.arange(20 * HOP_FRAMES) / RATE_HZ)[np.newaxis]


@pytest.mark.parametrize(
    ("pause_hops", "bounded"), [(2, False), (20, False), (SILENT_HOPS - 1, False), (SILENT_HOPS, True), (300, True)]
)
def test_loud_after_loud_is_untouched_and_loud_after_a_long_silence_is_not(pause_hops: int, *, bounded: bool) -> None:
    signal = np.concatenate([LOUD, np.zeros((1, pause_hops * HOP_FRAMES)), LOUD], axis=1)
    after = slice((20 + pause_hops) * HOP_FRAMES, None)
    levels_db = hop_levels_db(guarded(signal)[:, after])
    if bounded:
        assert levels_db[0] <= QUIET_DBFS + 60.0 * HOP_S + 1e-4
    else:
        assert np.array_equal(guarded(signal)[:, after], signal[:, after])


@pytest.mark.parametrize("pause_s", [1.0, 2.0, 4.0])
def test_beats_within_a_performance_that_sounds_are_untouched(pause_s: float) -> None:
    beat = np.concatenate([LOUD[:, : 2 * HOP_FRAMES], np.zeros((1, round(pause_s / HOP_S) * HOP_FRAMES))], axis=1)
    signal = np.concatenate([LOUD, *[beat] * 6], axis=1)
    assert np.array_equal(guarded(signal)[:, LOUD.shape[1] :], signal[:, LOUD.shape[1] :])


def test_a_click_does_not_open_the_way_for_a_bang_after_it() -> None:
    click = np.zeros((1, 30 * HOP_FRAMES))
    click[0, 100] = 0.1
    levels_db = hop_levels_db(guarded(np.concatenate([click, LOUD], axis=1)))
    assert levels_db[30] <= QUIET_DBFS + 2 * 60.0 * HOP_S + 1e-4


def test_an_output_may_join_another_that_sounds() -> None:
    guard = OnsetGuard({"left": Output(device_channel=1), "floor": Output(device_channel=2, transducer="shaker")})
    steady = np.tile(LOUD, 4)
    late = np.where(np.arange(steady.shape[1]) < 60 * HOP_FRAMES, 0.0, steady)
    hops = np.split(np.concatenate([steady, late]), 80, axis=1)
    floor = np.concatenate([guard(hop)[1:] for hop in hops], axis=1)
    assert np.array_equal(floor[:, HOP_FRAMES:], late[:, :-HOP_FRAMES])


def test_each_output_has_its_own_onset() -> None:
    guard = OnsetGuard({"left": Output(device_channel=1), "floor": Output(device_channel=2, transducer="shaker")})
    steady = 0.1 * np.sin(2 * pi * 100 * np.arange(40 * HOP_FRAMES) / RATE_HZ)
    late = np.where(np.arange(len(steady)) < 30 * HOP_FRAMES, 0.0, steady)
    left = np.concatenate([guard(hop)[:1] for hop in np.split(np.stack([steady, late]), 40, axis=1)], axis=1)[0]
    assert np.array_equal(left[30 * HOP_FRAMES :], steady[29 * HOP_FRAMES : -HOP_FRAMES])


def test_trim_and_delay_are_exact() -> None:
    outputs = {"left": Output(device_channel=1, trim_db=-6.0, delay_ms=2.5, subsonic_hz=1.0)}
    plain = Conditioner({"left": Output(device_channel=1, subsonic_hz=1.0)})
    signal = np.random.default_rng(1).standard_normal((1, 9000))
    moved, reference = Conditioner(outputs)(signal), plain(signal)
    assert moved[0, 120:] == pytest.approx(10 ** (-6 / 20) * reference[0, :-120], rel=1e-6, abs=1e-9)


def test_the_long_term_power_of_a_shaker_is_never_passed() -> None:
    outputs = {"floor": Output(device_channel=1, transducer="shaker", long_term_dbfs=-25.0, long_term_s=2.0)}
    stage = CapStage(outputs, expand([CapEntry(quantity="LAeq", window_s=60.0, limit_dbfs=0.0)]))
    tone = 0.4 * np.sin(2 * pi * 40 * np.arange(8 * RATE_HZ) / RATE_HZ)
    out = stage.process(tone[np.newaxis]).frames[0]
    running = np.cumsum(np.concatenate((np.zeros(2 * RATE_HZ), out**2)))
    worst = float(np.max(running[2 * RATE_HZ :] - running[: -2 * RATE_HZ])) / (2 * RATE_HZ)
    assert 10 * np.log10(worst) <= -25.0 + 1e-6
    assert stage.reading().governor_db < 0.0
