"""What the value of an event does to the sound that it strikes."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import msgspec
import numpy as np
import pytest
import soundfile
from numpy.typing import NDArray
from scipy import signal

from residue.mapping.node import NodeContext
from residue.mapping.nodes import KINDS
from residue.mapping.signals import AUDIO_RATE_HZ, EVENTS, Events
from tests.mapping.single import Performance, run

Floats = NDArray[np.float64]
SECOND = AUDIO_RATE_HZ


def struck(value: float, semitones: float = 0.0, **parameters: Any) -> Floats:
    """A bell-like sound of one strike, a second long."""
    table = {
        "input": "a",
        "frequency_hz": 400.0,
        "drop": 4.0,
        "decay_s": 0.9,
        "transpose_semitones": semitones,
        **parameters,
    }
    found = run(
        msgspec.convert(table, KINDS["strike"]), {"input": Events(np.array([0]), np.array([value]))}, SECOND, [777]
    )
    assert isinstance(found, np.ndarray)
    heard: Floats = found[0]
    return heard


SOFT: dict[str, Any] = {"soft_at": 0.2, "hard_at": 1.0, "softest_db": -20.0, "dull_db": 12.0, "dull_above_hz": 1_000.0}


def test_struck_hardest_it_is_the_sound_itself() -> None:
    assert struck(1.0, **SOFT) == pytest.approx(struck(1.0), abs=1e-15)
    assert np.array_equal(struck(7.0, **SOFT), struck(1.0, **SOFT))


@pytest.mark.parametrize(("value", "share"), [(0.2, 1.0), (-3.0, 1.0), (0.6, 0.5)])
def test_struck_softly_it_is_quieter_and_its_heights_more_so(value: float, share: float) -> None:
    """Against scipy: a first-order high shelf, the low-pass and what it leaves out, at the level of the depths."""
    level, shelf = 10 ** (-20.0 * share / 20), 10 ** (-12.0 * share / 20)
    b, a = signal.butter(1, 1_000.0, fs=SECOND)
    hard = struck(1.0)
    depths = signal.lfilter(b, a, hard)
    expected = level * (depths + shelf * (hard - depths))
    assert struck(value, **SOFT)[: len(hard)] == pytest.approx(expected, abs=1e-3 * level)


def test_level_and_brightness_climb_with_the_value() -> None:
    sounds = [struck(value, 5.0, **SOFT) for value in (0.2, 0.4, 0.6, 0.8, 1.0)]
    levels = [float(np.sqrt(np.mean(sound**2))) for sound in sounds]
    heights = [float(np.sqrt(np.mean(np.diff(sound) ** 2))) for sound in sounds]
    assert levels == sorted(levels)
    brightness = np.array(heights) / levels
    assert (np.diff(brightness) > 0.0).all()


def test_the_hardest_may_have_the_lower_value() -> None:
    """As with the interval between beats: the shorter it is, the harder."""
    turned = {**SOFT, "soft_at": 1.0, "hard_at": 0.2}
    assert np.array_equal(struck(0.2, **turned), struck(1.0, **SOFT))


def test_without_a_range_the_value_is_not_used() -> None:
    assert np.array_equal(struck(0.0), struck(9.0))


@pytest.mark.parametrize("parameters", [{"soft_at": 0.0}, {"hard_at": 1.0}, {"soft_at": 1.0, "hard_at": 1.0}])
def test_half_a_range_is_refused(parameters: dict[str, float]) -> None:
    with pytest.raises(msgspec.ValidationError, match="belong together and differ"):
        struck(1.0, **parameters)


def prepared(folder: Path) -> None:
    KINDS["strike"](input="a", recording="tin.wav").prepare(
        NodeContext({"input": EVENTS}, 7, Performance(), str(folder))
    )


def test_a_recording_that_is_missing_or_has_another_rate_is_named(tmp_path: Path) -> None:
    with pytest.raises(ValueError, match=r"tin\.wav cannot be read.*Put a WAV or FLAC file there"):
        prepared(tmp_path)
    soundfile.write(tmp_path / "tin.wav", np.zeros(100), 44_100)
    with pytest.raises(ValueError, match=r"has 44100 frames a second. Convert it to 48000"):
        prepared(tmp_path)
    soundfile.write(tmp_path / "tin.wav", np.full(100, np.nan), SECOND, subtype="FLOAT")
    with pytest.raises(ValueError, match="no numbers"):
        prepared(tmp_path)


def test_a_recording_of_two_channels_sounds_as_their_mean(tmp_path: Path) -> None:
    soundfile.write(tmp_path / "tin.wav", np.array([[0.5, 0.25], [0.0, -0.5]]), SECOND, subtype="DOUBLE")
    node = KINDS["strike"](input="a", recording=str(tmp_path / "tin.wav"), gain_db=0.0)
    found = run(node, {"input": Events(np.array([1]), np.array([1.0]))}, 4)
    assert isinstance(found, np.ndarray)
    assert found.tolist() == [[0.0, 0.375, -0.25, 0.0]]
