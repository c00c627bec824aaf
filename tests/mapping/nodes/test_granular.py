"""Grains have the number, the shape, the pitch and the place that the parameters say."""

from __future__ import annotations

from typing import Any

import msgspec
import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import signal

from residue.dsp.cloud import MOST_AT_ONCE, _octaves
from residue.dsp.varispeed import ONE
from residue.mapping.nodes import KINDS
from residue.mapping.signals import AUDIO_RATE_HZ, CONTROL_RATE_HZ
from tests.mapping.single import run

Floats = NDArray[np.float64]
SECOND = AUDIO_RATE_HZ


def cloud(sound: Floats, captured: Floats | None = None, **parameters: Any) -> Floats:
    """(2, frames)."""
    wired = {} if captured is None else {"captured": captured}
    node = msgspec.convert({"input": "a", **dict.fromkeys(wired, "b"), **parameters}, KINDS["grains"])
    found = run(node, {"input": sound[None], **wired}, len(sound), range(9_999, len(sound), 48_000))
    assert isinstance(found, np.ndarray)
    return found


def tone(frequency_hz: float, seconds: float) -> Floats:
    return np.sin(2 * np.pi * frequency_hz * np.arange(round(seconds * SECOND)) / SECOND)


def rms(sound: Floats) -> float:
    return float(np.sqrt(np.mean(sound**2)))


def bumps(sound: Floats) -> list[Floats]:
    """The stretches that are not silent."""
    edges = np.flatnonzero(np.diff(np.concatenate(([0], (sound != 0).astype(int), [0]))))
    return [sound[start:stop] for start, stop in zip(edges[::2], edges[1::2], strict=True)]


def test_as_many_grains_begin_as_the_density_says_and_each_is_a_hann_window() -> None:
    """A constant of 1 shows the window: scipy's Hann of odd length, read between its frames. Power 1/2 to each side."""
    seconds, per_s, length = 60, 8.0, 240
    heard = cloud(np.ones(seconds * SECOND), grains_per_s=per_s, grain_s=length / SECOND, scatter_s=0.0, spread=0.0)
    assert np.array_equal(heard[0], heard[1])
    found = bumps(heard[0, SECOND:])
    alone = [bump for bump in found if len(bump) == length]
    overlapping = len(found) - len(alone)
    assert len(alone) + 2 * overlapping == pytest.approx(59 * per_s, abs=4 * np.sqrt(59 * per_s))  # Poisson
    window = signal.windows.hann(2 * length + 1)[1::2]
    assert np.abs(alone[0] - np.sqrt(0.5) * window).max() < 1e-11


@pytest.mark.parametrize("ratio", [0.5, 1.0, 1.26, 2.0, 3.0])
def test_a_grain_sounds_at_its_ratio_of_the_pitch_that_was_heard(ratio: float) -> None:
    heard = cloud(tone(500.0, 6.0), ratio=ratio, grain_s=0.2, grains_per_s=40.0)
    frequencies_hz, power = signal.welch(heard[0, 2 * SECOND :], SECOND, nperseg=SECOND // 4, nfft=SECOND)
    peak = np.average(frequencies_hz[power > power.max() / 10], weights=power[power > power.max() / 10])
    assert peak == pytest.approx(500.0 * ratio, rel=0.01)


def test_what_is_raised_folds_nothing_back() -> None:
    """Twice 15 kHz would lie at 30 kHz, and fold to 18 kHz."""
    plain = cloud(tone(15_000.0, 2.0), grains_per_s=100.0)
    raised = cloud(tone(15_000.0, 2.0), grains_per_s=100.0, ratio=2.0)
    assert rms(raised[:, SECOND:]) < 0.01 * rms(plain[:, SECOND:])


@pytest.mark.parametrize(("ratio", "octaves"), [(0.25, 0), (1.0, 0), (1.001, 1), (2.0, 1), (2.001, 2), (4.0, 2)])
def test_an_octave_too_few_is_never_read(ratio: float, octaves: int) -> None:
    assert _octaves(round(ratio * ONE)) == octaves


def test_a_grain_ends_as_far_back_as_it_is_told_to() -> None:
    click = np.zeros(2 * SECOND)
    click[SECOND // 2] = 1.0
    heard = cloud(click, back_s=0.5, scatter_s=0.0, grain_s=0.05, grains_per_s=400.0)
    # At the pitch that was heard every grain has the same delay, from back_s to its end and its length.
    assert np.flatnonzero(np.abs(heard[0]) > 1e-6) / SECOND == pytest.approx([1.05], abs=0.0001)
    scattered = cloud(click, back_s=0.2, scatter_s=0.6, grain_s=0.05, grains_per_s=400.0)
    spread_s = np.flatnonzero(np.abs(scattered[0]) > 1e-6) / SECOND
    assert 0.4 < spread_s.max() - spread_s.min() < 0.75


def test_nothing_is_older_than_the_memory() -> None:
    sound = np.concatenate((tone(300.0, 1.0), np.zeros(2 * SECOND)))
    heard = cloud(sound, memory_s=0.5, back_s=40.0, scatter_s=0.0, grain_s=0.1)
    assert rms(heard[:, SECOND : SECOND + SECOND // 4]) > 0.05
    assert not heard[:, SECOND + SECOND * 7 // 10 :].any()


def test_a_captured_past_sounds_on_until_it_is_let_go() -> None:
    sound = np.concatenate((tone(300.0, 2.0), np.zeros(6 * SECOND)))
    captured = np.zeros(8 * CONTROL_RATE_HZ)
    captured[2 * CONTROL_RATE_HZ : 6 * CONTROL_RATE_HZ] = 1.0
    heard = cloud(sound, captured, memory_s=1.0, scatter_s=0.8, grains_per_s=80.0)
    free = cloud(sound, memory_s=1.0, scatter_s=0.8, grains_per_s=80.0)
    assert not free[:, 4 * SECOND :].any()
    assert rms(heard[:, 5 * SECOND : 6 * SECOND]) == pytest.approx(rms(heard[:, SECOND : 2 * SECOND]), rel=0.2)
    assert not heard[:, 8 * SECOND - SECOND // 2 :].any()


@pytest.mark.parametrize("per_s", [20.0, 60.0, 200.0])
def test_the_level_stays_about_the_same_however_many_overlap(per_s: float) -> None:
    """The mean square of a Hann window is 3/8; sounds at random add by power, half of it on each side."""
    noise = np.random.default_rng(5).normal(0.0, 0.2, 8 * SECOND)
    heard = cloud(noise, grains_per_s=per_s, grain_s=0.1)
    power = np.mean(np.sum(np.square(heard[:, SECOND:]), axis=0))
    assert power == pytest.approx(0.04 * 3 / 8, rel=0.12)


def test_places_lie_within_the_spread() -> None:
    noise = np.random.default_rng(5).normal(0.0, 0.2, 4 * SECOND)
    narrow, wide = (cloud(noise, spread=spread, grains_per_s=30.0)[:, SECOND:] for spread in (0.1, 1.0))
    likeness = [np.corrcoef(left, right)[0, 1] for left, right in (narrow, wide)]
    assert likeness[0] > 0.95
    assert likeness[1] < 0.8


def test_never_more_sound_at_once_than_the_bound() -> None:
    """All windows at their peak would be the most; without the bound some 200 of them overlap at half of it."""
    heard = cloud(np.ones(4 * SECOND), grains_per_s=400.0, grain_s=1.0, scatter_s=0.0, spread=0.0)
    level = np.sqrt(0.5) / np.sqrt(400.0)
    assert heard[0, 2 * SECOND :].mean() == pytest.approx(MOST_AT_ONCE * level / 2, rel=0.15)


def test_grains_that_do_not_fit_into_the_memory_are_refused() -> None:
    with pytest.raises(msgspec.ValidationError, match=r"reads 2 s does not fit into memory_s = 1\.5"):
        msgspec.convert({"input": "a", "memory_s": 1.5, "grain_s": 1.0, "ratio": 2.0}, KINDS["grains"])


def test_a_grain_that_a_section_makes_longer_than_the_memory_reads_nothing_that_is_to_come() -> None:
    """Its bits followed from the blocks: it read places of the memory that were not heard yet."""
    node = msgspec.convert({"input": "a", "memory_s": 0.5}, KINDS["grains"])
    sound = np.random.default_rng(5).uniform(-1.0, 1.0, (1, 2 * SECOND))
    moved = {"grain_s": np.full(2 * CONTROL_RATE_HZ, 1.0), "ratio": np.full(2 * CONTROL_RATE_HZ, 4.0)}
    short, long = (
        run(node, {"input": sound}, 2 * SECOND, range(step, 2 * SECOND, step), controls=moved) for step in (480, 9_600)
    )
    assert isinstance(short, np.ndarray)
    assert isinstance(long, np.ndarray)
    assert np.array_equal(short, long)
    assert short[:, SECOND:].any()
