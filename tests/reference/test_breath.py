"""Breath from belts that real people wore, against neurokit2, which sees the whole recording at once."""

from __future__ import annotations

import warnings
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from residue.dsp.breath import BreathFinder
from residue.mapping.node import Trusted
from residue.mapping.nodes import KINDS
from residue.mapping.signals import CONTROL_RATE_HZ, FRAMES_PER_TICK
from tests.mapping.single import read
from tests.reference.recordings import Recording, breath_belt, one_body
from tests.reference.test_heart import at_control_rate, score

Floats = NDArray[np.float64]
MATCH_S = 0.5
"""An eighth of a breath; our choice."""


def belt(recording: Recording) -> Floats:
    wave = recording["resp"]
    shifted = Recording(recording.rate_hz, "1", ("resp",), (wave - wave[0])[None])
    return at_control_rate(shifted, 1e5)


def theirs(recording: Recording) -> tuple[Floats, Floats]:
    """Where breathing out and breathing in begin by neurokit2, after Khodadad et al. (2018), in seconds."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # theirs, about their own insides
        import neurokit2

        cleaned = neurokit2.rsp_clean(recording["resp"], recording.rate_hz, method="khodadad2018")
        _, found = neurokit2.rsp_peaks(cleaned, recording.rate_hz, method="khodadad2018")
    return found["RSP_Peaks"] / recording.rate_hz, found["RSP_Troughs"] / recording.rate_hz


def breath(wave: Floats, **parameters: Any) -> Trusted:
    frames = len(wave) * FRAMES_PER_TICK
    return read(KINDS["breath"](input="a", **parameters), {"input": wave}, frames, range(0, frames, 480_000))


def test_turns_of_a_regular_breath_are_found_where_neurokit2_finds_them() -> None:
    """Measured when this was written: 0.992/0.964 of 133 breaths. What is missed is a shallow one."""
    recording = breath_belt()
    tops, _ = theirs(recording)
    turns = BreathFinder(CONTROL_RATE_HZ)(belt(recording))
    ours = np.array([one.at for one in turns if one.is_top]) / CONTROL_RATE_HZ
    sensitivity, predictivity = score(ours, tops, MATCH_S)
    assert sensitivity >= 0.98
    assert predictivity >= 0.95
    late_s = np.array([turn.known_at - turn.at for turn in turns]) / CONTROL_RATE_HZ
    assert np.median(late_s) < 0.8


def test_rate_and_phase_of_a_regular_breath_are_those_of_neurokit2() -> None:
    recording = breath_belt()
    wave = belt(recording)
    tops, bottoms = theirs(recording)
    rate = breath(wave, measure="rate").signal
    assert isinstance(rate, np.ndarray)
    settled = 20 * CONTROL_RATE_HZ
    assert np.median(rate[settled:]) == pytest.approx(np.median(60.0 / np.diff(bottoms)), rel=0.02)
    phase = breath(wave, measure="phase").signal
    assert isinstance(phase, np.ndarray)
    seconds = np.arange(len(wave)) / CONTROL_RATE_HZ
    at = np.concatenate((bottoms, tops))
    turned = np.concatenate((np.arange(len(bottoms)) * 1.0, np.searchsorted(bottoms, tops) - 0.5))
    order = np.argsort(at)
    known = np.interp(seconds, at[order], turned[order])
    off = (phase - known + 0.5) % 1.0 - 0.5
    # Known from behind only, while breaths differ by a third from one to the next.
    assert np.abs(off[settled:]).mean() < 0.09
    assert np.abs(np.exp(2j * np.pi * off[settled:]).mean()) > 0.8


def test_a_breath_that_is_no_regular_one_is_trusted_less() -> None:
    regular, irregular = (breath(belt(recording)).trust for recording in (breath_belt(), one_body()))
    assert regular is not None
    assert irregular is not None
    assert (regular > 0.5).mean() > 0.85
    assert irregular.mean() < 0.5


def test_adapt_opens_without_a_swing_on_a_real_belt() -> None:
    """It swung from 0 to 1 and back within a tick during the first second."""
    for recording in (breath_belt(), one_body()):
        wave = belt(recording)
        signal = read(KINDS["adapt"](input="a"), {"input": wave}, len(wave) * FRAMES_PER_TICK).signal
        assert isinstance(signal, np.ndarray)
        assert np.abs(np.diff(signal)).max() < 0.02
        assert signal[: 2 * CONTROL_RATE_HZ].max() <= 0.2
