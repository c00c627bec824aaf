"""The true-peak limiter alone and in the stage."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy import signal as sps

from residue.loudness.caps.caps import CapEntry, expand
from residue.loudness.meters.hops import HOP_FRAMES
from residue.loudness.outputs.outputs import Output
from residue.loudness.stage.limiter import DELAY_FRAMES, Limiter
from residue.loudness.stage.stage import CapStage
from tests.reference.analogue_meter import peak_db

Floats = NDArray[np.float64]
SPEAKERS = {"left": Output(device_channel=1), "right": Output(device_channel=2, ceiling_dbtp=-6.0)}
WITH_SHAKER = {**SPEAKERS, "floor": Output(device_channel=3, transducer="shaker")}


def true_peak(signal: Floats) -> float:
    """By the sampling theorem: the ideal interpolation of what is sent, which ends in silence."""
    return float(10 ** (peak_db(signal, "Z", finer=8) / 20))


def limited(limiter: Limiter, signal: Floats) -> Floats:
    return np.concatenate([limiter(hop) for hop in np.split(signal, signal.shape[1] // HOP_FRAMES, axis=1)], axis=1)


@st.composite
def adversaries(draw: st.DrawFn, channels: int = 2, hops: int = 2) -> Floats:
    """Noise, sines near half the rate, alternating full scale, bursts and single samples, up to +24 dBFS."""
    frames = np.arange(hops * HOP_FRAMES)
    signal = np.zeros((channels, len(frames)))
    for channel in range(channels):
        for _ in range(draw(st.integers(1, 4))):
            start = draw(st.integers(0, len(frames) - 1))
            length = draw(st.sampled_from([1, 2, 7, 100, 481, 6000]))
            peak = 10 ** (draw(st.floats(-20.0, 24.0)) / 20)
            shape = draw(st.sampled_from(["noise", "sine", "alternating", "step"]))
            here = frames[start : start + length]
            made = {
                "noise": np.random.default_rng(start).uniform(-1.0, 1.0, len(here)),
                "sine": np.sin(np.pi * draw(st.floats(0.001, 0.999)) * here + draw(st.floats(0.0, 3.0))),
                "alternating": np.sign(np.sin(np.pi * (here + 0.5) * draw(st.sampled_from([1.0, 0.5, 0.25])))),
                "step": np.ones(len(here)),
            }[shape]
            signal[channel, start : start + length] += peak * made
    return np.clip(signal, -16.0, 16.0)


def within_the_band(signal: Floats) -> Floats:
    """As the limiter gets it in the stage, with silence after it."""
    sos = sps.butter(8, 20_000, fs=48_000, output="sos")
    return np.pad(sps.sosfilt(sos, signal, axis=1), ((0, 0), (0, 2 * HOP_FRAMES)))


@given(adversaries().map(within_the_band))
def test_the_true_peak_of_what_comes_out_is_never_above_the_ceiling(signal: Floats) -> None:
    left, right = limited(Limiter(SPEAKERS), signal)
    assert 20 * np.log10(true_peak(left) + 1e-12) <= -1.0
    assert 20 * np.log10(true_peak(right) + 1e-12) <= -6.0


@given(adversaries())
def test_neither_is_that_of_the_whole_stage(signal: Floats) -> None:
    stage = CapStage(SPEAKERS, expand([CapEntry(quantity="LAeq", window_s=1.0, limit_dbfs=-12.0)]))
    signal = np.concatenate([signal, np.zeros((2, 4 * HOP_FRAMES))], axis=1)
    left, right = stage.process(signal).frames
    assert 20 * np.log10(true_peak(left) + 1e-12) <= -1.0
    assert 20 * np.log10(true_peak(right) + 1e-12) <= -6.0


def test_below_the_ceiling_it_only_delays() -> None:
    signal = 0.3 * np.sin(np.arange(3 * HOP_FRAMES) * 0.1) * np.ones((2, 1))
    out = limited(Limiter(SPEAKERS), signal)
    assert np.array_equal(out[:, DELAY_FRAMES:], signal[:, :-DELAY_FRAMES])


def test_speakers_go_down_together_and_a_shaker_ducks_no_speaker() -> None:
    quiet = 0.1 * np.sin(np.arange(4 * HOP_FRAMES) * 0.05)
    loud = 30 * quiet
    left, right, floor = limited(Limiter(WITH_SHAKER), np.stack([loud, quiet, quiet]))
    middle = slice(2 * HOP_FRAMES, 3 * HOP_FRAMES)
    assert np.max(np.abs(right[middle])) == pytest.approx(np.max(np.abs(left[middle])) / 30, rel=1e-9)
    assert np.max(np.abs(floor[middle])) == pytest.approx(0.1, rel=1e-3)


@pytest.mark.parametrize("length", [1, 2, 20, 300])
def test_the_gain_is_all_the_way_down_when_the_peak_comes(length: int) -> None:
    """The margin below the ceiling is for what lies between the samples; no sample may need it."""
    signal = np.full((2, 4 * HOP_FRAMES), 0.01)
    signal[:, 7000 : 7000 + length] = 8.0
    left, right = limited(Limiter(SPEAKERS), signal)
    assert np.max(np.abs(left)) <= 10 ** (-1.5 / 20) * (1 + 1e-9)
    assert np.max(np.abs(right)) <= 10 ** (-6.5 / 20) * (1 + 1e-9)


def test_the_gain_moves_without_steps() -> None:
    burst = np.full((2, 4 * HOP_FRAMES), 0.1)
    burst[:, 7000:7300] = 8.0
    left = limited(Limiter(SPEAKERS), burst)[0, DELAY_FRAMES:]
    gain = left / burst[0, : len(left)]
    # Down over 10 ms, up over half a second.
    assert np.max(-np.diff(gain)) <= 1.0 / 480 + 1e-9
    assert np.max(np.diff(gain)) <= 1.0 / 24_000 + 1e-6
