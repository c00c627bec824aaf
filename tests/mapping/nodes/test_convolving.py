"""A recorded space: the file, its channels and its level."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from numpy.typing import NDArray
from scipy import signal

from residue.dsp.convolution import SHORT
from residue.mapping.node import Node
from residue.mapping.nodes import KINDS
from residue.mapping.signals import AUDIO_RATE_HZ
from tests.mapping.single import run

Floats = NDArray[np.float64]
SECOND = AUDIO_RATE_HZ
RANDOM = np.random.default_rng(20_261_129)
CELLAR = RANDOM.normal(size=(2, SECOND // 2)) * 10 ** (-3.0 * np.arange(SECOND // 2) / (SECOND // 2))
CELLAR[1] *= 0.5


def space(folder: Path, response: Floats, rate_hz: int = SECOND, **parameters: Any) -> Node:
    path = folder / "cellar.wav"
    soundfile.write(path, response.T, rate_hz, subtype="DOUBLE")
    return KINDS["recorded_space"](input="a", recording=str(path), channels=len(response), **parameters)


def heard(node: Node, sound: Floats, cuts: Any = ()) -> Floats:
    found = run(node, {"input": sound}, sound.shape[1], cuts)
    assert isinstance(found, np.ndarray)
    return found


@pytest.mark.parametrize("channels", [1, 2])
def test_it_is_the_convolution_with_the_file_at_an_energy_of_1(tmp_path: Path, channels: int) -> None:
    sound = RANDOM.normal(0.0, 0.1, (channels, 2 * SECOND))
    found = heard(space(tmp_path, CELLAR), sound, [4_800, 70_001])
    scaled = CELLAR / np.sqrt(np.sum(CELLAR[0] ** 2))
    for channel in range(2):
        expected = signal.oaconvolve(sound[channel % channels], scaled[channel])[: 2 * SECOND - SHORT]
        assert np.abs(found[channel, SHORT:] - expected).max() < 1e-12
        assert not found[channel, :SHORT].any()


def test_noise_comes_out_as_loud_as_it_went_in(tmp_path: Path) -> None:
    sound = RANDOM.normal(0.0, 0.1, (1, 4 * SECOND))
    left, right = heard(space(tmp_path, 0.01 * CELLAR), sound)[:, SECOND:]
    assert np.sqrt(np.mean(left**2)) == pytest.approx(0.1, rel=0.05)
    assert np.sqrt(np.mean(right**2)) == pytest.approx(0.05, rel=0.05)


def test_a_response_of_one_channel_serves_all(tmp_path: Path) -> None:
    sound = RANDOM.normal(size=(2, SECOND))
    found = heard(space(tmp_path, CELLAR[:1]), sound)
    assert np.array_equal(found[1], heard(space(tmp_path, CELLAR[:1]), sound[1:])[0])


@pytest.mark.parametrize(
    ("response", "rate_hz", "said"),
    [
        (np.ones((1, 100)), 44_100, "has 44100 frames a second. Convert it to 48000"),
        (np.zeros((1, 100)), SECOND, "is silent"),
        (np.ones((1, 11 * SECOND)), SECOND, r"is 11\.0 s long. Cut it to 10 s"),
    ],
    ids=["rate", "silence", "length"],
)
def test_a_recording_that_does_not_fit_is_named(tmp_path: Path, response: Floats, rate_hz: int, said: str) -> None:
    with pytest.raises(ValueError, match=said):
        heard(space(tmp_path, response, rate_hz), np.zeros((1, 10)))


def test_another_number_of_channels_is_told(tmp_path: Path) -> None:
    space(tmp_path, CELLAR)
    node = KINDS["recorded_space"](input="a", recording=str(tmp_path / "cellar.wav"), channels=1)
    with pytest.raises(ValueError, match=r"has 2 channels, and channels = 1\. Write channels = 2"):
        heard(node, np.zeros((1, 10)))


def test_what_is_rendered_follows_from_the_file(tmp_path: Path) -> None:
    """The digest of a piece takes in every file that a node names."""
    assert list(space(tmp_path, CELLAR).files()) == [str(tmp_path / "cellar.wav")]
