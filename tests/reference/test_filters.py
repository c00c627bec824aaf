"""Filters, crossover and panning against scipy's designs and the definitions of the trade."""

from __future__ import annotations

from typing import Any, Literal

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import signal

from residue.dsp import exact, interpolation
from residue.dsp.shaping import entering, leaving, saturate
from residue.mapping.node import Node
from residue.mapping.nodes import KINDS
from residue.mapping.signals import AUDIO_RATE_HZ, CONTROL_RATE_HZ, FRAMES_PER_TICK
from tests.mapping.single import run

FREQUENCIES_HZ = np.geomspace(5.0, 20_000.0, 400)
CURVES_FRAMES = 1 << 17


def response(node: Node) -> NDArray[np.complex128]:
    """The frequency response of a node of one channel, by its answer to a step that falls back (so it starts at 0)."""
    impulse = np.zeros((1, CURVES_FRAMES))
    impulse[0, 1] = 1.0
    answer = run(node, {"input": impulse}, CURVES_FRAMES)
    assert isinstance(answer, np.ndarray)
    _, curve = signal.freqz(answer[0, 1:], worN=FREQUENCIES_HZ, fs=AUDIO_RATE_HZ)
    return np.asarray(curve, np.complex128)


def node(kind: str, **parameters: Any) -> Node:
    return KINDS[kind](input="a", **parameters)


@pytest.mark.parametrize("order", [1, 2, 3, 4, 7, 8])
@pytest.mark.parametrize("kind", ["lowpass", "highpass"])
def test_filters_are_scipys_butterworth_filters(kind: Literal["lowpass", "highpass"], order: int) -> None:
    sections = signal.butter(order, 140.0, kind, fs=AUDIO_RATE_HZ, output="sos")
    _, expected = signal.sosfreqz(sections, worN=FREQUENCIES_HZ, fs=AUDIO_RATE_HZ)
    found = response(node(kind, cutoff_hz=140.0, order=order))
    assert np.abs(found - expected).max() < 1e-6


def test_the_notch_is_scipys() -> None:
    b, a = signal.iirnotch(50.0, 25.0, fs=AUDIO_RATE_HZ)
    _, expected = signal.freqz(b, a, worN=FREQUENCIES_HZ, fs=AUDIO_RATE_HZ)
    # Its ringing lasts longer than the curve is taken over: 2 Hz wide, 0.16 s to fall by e.
    assert np.abs(response(node("notch", harmonics=1)) - expected).max() < 1e-4


@pytest.mark.parametrize("cutoff_hz", [40.0, 90.0, 2_500.0])
def test_the_parts_of_a_crossover_add_up_flat_within_a_tenth_of_a_decibel(cutoff_hz: float) -> None:
    """Linkwitz and Riley, J Audio Eng Soc 24 (1976) 2-8: flat sum, each part at -6 dB where they meet."""
    low = response(node("crossover", part="low", cutoff_hz=cutoff_hz))
    high = response(node("crossover", part="high", cutoff_hz=cutoff_hz))
    assert np.abs(20 * np.log10(np.abs(low + high))).max() < 0.1
    meeting = np.argmin(np.abs(FREQUENCIES_HZ - cutoff_hz))
    assert 20 * np.log10(np.abs(low[meeting])) == pytest.approx(-6.02, abs=0.3)  # the grid meets it within 1 %


@pytest.mark.parametrize("kind", ["pan", "place"])
@pytest.mark.parametrize("position", [-1.0, -0.77, -0.2, 0.0, 0.5, 1.0])
def test_panning_keeps_the_power_within_a_hundredth_of_a_decibel(kind: str, position: float) -> None:
    ring: dict[str, Any] = {"outputs": 5, "turn": position, "spread": 0.4}
    panned = run(node(kind, **(ring if kind == "place" else {"position": position})), {"input": np.ones((1, 48))}, 48)
    assert isinstance(panned, np.ndarray)
    assert 10 * np.log10((panned[:, -1] ** 2).sum()) == pytest.approx(0.0, abs=0.01)


def test_sound_leaves_by_a_cosine_and_enters_by_a_sine() -> None:
    share = np.linspace(0.0, 1.0, 1001)
    assert np.abs(leaving(share) - np.cos(share * np.pi / 2)).max() < 1e-10
    assert np.abs(entering(share) - np.sin(share * np.pi / 2)).max() < 1e-10


def test_saturation_is_tanh() -> None:
    x = np.linspace(-20.0, 20.0, 100_001)
    assert np.abs(saturate(x) - np.tanh(x)).max() < 1e-4


@pytest.mark.parametrize(
    ("ours", "numpys", "low", "high"),
    [(exact.exp2, np.exp2, -300.0, 300.0), (exact.log2, np.log2, 1e-12, 1e12)],
    ids=["exp2", "log2"],
)
def test_exact_functions_are_numpys_within_rounding(ours: Any, numpys: Any, low: float, high: float) -> None:
    x = np.linspace(low, high, 200_001)
    assert np.allclose(ours(x), numpys(x), rtol=1e-14, atol=1e-14)


def test_exact_sine_is_numpys_within_its_stated_error() -> None:
    turns = np.linspace(0.0, 1.0, 100_000, endpoint=False)
    phase = np.floor(turns * 2.0**64).astype(np.uint64)
    assert np.abs(exact.sine(phase) - np.sin(2 * np.pi * turns)).max() < 1e-11


def test_sound_keeps_what_a_slow_signal_carries_and_nothing_folds() -> None:
    """A tone passes unchanged up to 600 Hz; its images, above 1 kHz, lie 70 dB below. (Limits: our own choice.)"""
    taps = interpolation.kernel(FRAMES_PER_TICK)
    _, curve = signal.freqz(taps / FRAMES_PER_TICK, worN=np.arange(0.0, 24_000.0, 10.0), fs=AUDIO_RATE_HZ)
    level_db = 20 * np.log10(np.abs(curve) + 1e-12)
    assert np.abs(level_db[:60]).max() < 0.01
    assert level_db[(CONTROL_RATE_HZ - 600) // 10 :].max() < -70.0


def test_a_muscle_tone_made_sound_is_that_tone() -> None:
    n = np.arange(4_000)
    sound = run(KINDS["sound"](input="a"), {"input": np.sin(2 * np.pi * 25.0 * n / CONTROL_RATE_HZ)}, 96_000)
    assert isinstance(sound, np.ndarray)
    late = interpolation.TAPS_PER_PHASE // 2 * FRAMES_PER_TICK
    expected = np.sin(2 * np.pi * 25.0 * (np.arange(96_000) - late) / AUDIO_RATE_HZ)
    assert np.abs(sound[0] - expected)[2_000:].max() < 1e-3


@pytest.mark.parametrize("up", [2, 4, 8])
def test_a_muscles_voice_multiplied_sounds_so_many_times_higher(up: int) -> None:
    """The muscle's 25 Hz (Oster and Jaffe, Biophys J 30 (1980) 119-127) times `up`."""
    n = np.arange(3 * CONTROL_RATE_HZ)
    voice = KINDS["muscle_voice"](input="a", up=up, drive_db=-40.0)
    sound = run(voice, {"input": np.sin(2 * np.pi * 25.0 * n / CONTROL_RATE_HZ)}, 3 * AUDIO_RATE_HZ)
    assert isinstance(sound, np.ndarray)
    frequencies_hz, power = signal.welch(sound[0, AUDIO_RATE_HZ:], AUDIO_RATE_HZ, nperseg=AUDIO_RATE_HZ)
    assert abs(frequencies_hz[np.argmax(power)] - 25.0 * up) <= 10.0  # half the rate at which grains follow each other
