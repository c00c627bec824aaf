"""What stands still, dissolves, and answers to events: each node does what its sentence says."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import signal

from residue.mapping.nodes import KINDS
from residue.mapping.signals import AUDIO_RATE_HZ, CONTROL_RATE_HZ, FRAMES_PER_TICK, Events
from tests.mapping.single import run

Floats = NDArray[np.float64]
SECOND = AUDIO_RATE_HZ


def tone(frequency_hz: float, seconds: float) -> Floats:
    return np.sin(2 * np.pi * frequency_hz * np.arange(round(seconds * SECOND)) / SECOND)


def level_db(sound: Floats) -> float:
    return float(10 * np.log10(np.mean(sound**2) + 1e-30))


def test_a_frozen_moment_sounds_on_at_its_pitch_without_a_seam() -> None:
    sound = np.concatenate((tone(440.0, 2.0), np.zeros(6 * SECOND)))[None]
    frozen = np.zeros(8 * CONTROL_RATE_HZ)
    frozen[2 * CONTROL_RATE_HZ : 6 * CONTROL_RATE_HZ] = 1.0
    node = KINDS["freeze"](input="a", frozen="b", length_s=0.5, fade_s=0.25)
    heard = run(node, {"input": sound, "frozen": frozen}, 8 * SECOND)
    assert isinstance(heard, np.ndarray)
    assert not heard[0, : 2 * SECOND].any()
    held = heard[0, 3 * SECOND : 6 * SECOND]
    frequencies_hz, power = signal.welch(held, SECOND, nperseg=SECOND)
    assert frequencies_hz[np.argmax(power)] == pytest.approx(440.0, abs=2.0)
    assert np.abs(np.diff(heard[0])).max() < 1.2 * np.abs(np.diff(sound[0])).max()
    assert not heard[0, 7 * SECOND :].any()


def dissolved(swell_at_s: float | None) -> float:
    """The level of layers, 8 s after a burst, in dB; with an event at a time that dissolves them, or without one."""
    burst = np.zeros((1, 12 * SECOND))
    burst[0, :SECOND] = tone(200.0, 1.0)
    frames = np.array([] if swell_at_s is None else [round(swell_at_s * SECOND)], np.int64)
    swell = run(
        KINDS["rise_and_fall"](input="a", attack_s=0.05, hold_s=2.0, release_s=0.2),
        {"input": Events(frames, np.ones(len(frames)))},
        12 * SECOND,
    )
    assert isinstance(swell, np.ndarray)
    layers = KINDS["layers"](input="a", loop_s=[1.0], decay_db=0.5)
    heard = run(layers, {"input": burst}, 12 * SECOND, controls={"decay_db": 0.5 + 59.5 * swell})
    assert isinstance(heard, np.ndarray)
    return level_db(heard[:, 8 * SECOND : 9 * SECOND])


def test_layers_dissolve_on_an_event_and_else_sound_on() -> None:
    assert dissolved(None) > -20.0
    assert dissolved(4.0) < dissolved(None) - 80.0


def test_a_swell_rises_holds_and_falls() -> None:
    node = KINDS["rise_and_fall"](input="a", attack_s=0.001, hold_s=0.5, release_s=0.25)
    found = run(node, {"input": Events(np.array([SECOND]), np.array([3.0]))}, 4 * SECOND)
    assert isinstance(found, np.ndarray)
    assert found[CONTROL_RATE_HZ - 1] < 1e-20  # what the subnormal guard of a filter leaves
    assert found[CONTROL_RATE_HZ + 20 : CONTROL_RATE_HZ + 1_000] == pytest.approx(1.0, abs=1e-3)
    assert found[round(1.75 * CONTROL_RATE_HZ)] == pytest.approx(np.exp(-1.0), abs=0.01)


@pytest.mark.parametrize("semitones", [-12.0, -5.0, 0.0, 7.0, 12.0, 24.0])
def test_a_struck_tone_is_transposed_by_what_a_signal_says_at_the_moment(semitones: float) -> None:
    """Twelve semitones of equal temperament are an octave."""
    node = KINDS["strike"](input="a", frequency_hz=400.0, drop=1.0, decay_s=8.0, gain_db=0.0)
    way = np.full(CONTROL_RATE_HZ, semitones)
    way[: CONTROL_RATE_HZ // 10] = 0.0
    way[CONTROL_RATE_HZ // 5 :] = 3.0  # what comes after the event does not count
    event = Events(np.array([SECOND * 3 // 20]), np.array([0.0]))
    heard = run(node, {"input": event}, SECOND, controls={"transpose_semitones": way})
    assert isinstance(heard, np.ndarray)
    frequencies_hz, power = signal.welch(heard[0, SECOND // 5 :], SECOND, nperseg=1 << 15, nfft=1 << 18)
    assert frequencies_hz[np.argmax(power)] == pytest.approx(400.0 * 2 ** (semitones / 12), rel=0.002)


def test_what_is_raised_folds_nothing_back() -> None:
    """A struck 12 kHz tone, raised by an octave, would lie at 24 kHz and above: it is gone, 40 dB at least."""
    node = KINDS["strike"](input="a", frequency_hz=12_500.0, drop=1.0, decay_s=5.0, gain_db=0.0)
    event = Events(np.array([0]), np.array([0.0]))
    plain = run(node, {"input": event}, SECOND)
    raised = run(node, {"input": event}, SECOND, controls={"transpose_semitones": np.full(CONTROL_RATE_HZ, 12.0)})
    assert isinstance(plain, np.ndarray)
    assert isinstance(raised, np.ndarray)
    assert level_db(raised[0, 4_800:]) < level_db(plain[0, 4_800:]) - 40.0


def test_a_curve_goes_along_its_points() -> None:
    node = KINDS["curve"](input="a", at=[0.0, 1.0, 3.0], becomes=[5.0, 7.0, -1.0])
    found = run(node, {"input": np.array([-2.0, 0.5, 2.0, 9.0])}, 4 * FRAMES_PER_TICK)
    assert np.array_equal(found, [5.0, 6.0, 3.0, -1.0])  # type: ignore[arg-type]
