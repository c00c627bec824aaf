from __future__ import annotations

import numpy as np
import pytest

from residue.dsp.retiming import BEFORE, ONE, PHASES, TAPS, Retimer, taps

RATE_HZ = 48_000


def retimed(sound: np.ndarray, speed: int, blocks: list[int]) -> np.ndarray:
    retimer, at, given = Retimer(len(sound)), 0, []
    for frames in blocks:
        given.append(retimer(sound[:, at : at + frames], speed))
        at += frames
    return np.concatenate(given, axis=1)


@pytest.mark.parametrize("ppm", [-200.0, -3.7, 0.0, 41.0, 200.0])
@pytest.mark.parametrize("hz", [30.0, 997.0, 12_000.0, 20_000.0])
def test_it_is_the_same_sound_at_another_pace(ppm: float, hz: float) -> None:
    """Against the sine itself, at the places that the speed asks for."""
    speed = round((1.0 + ppm * 1e-6) * ONE)
    frames = np.arange(24_000)
    given = retimed(np.sin(2 * np.pi * hz / RATE_HZ * frames)[np.newaxis], speed, [4_800] * 5)[0]
    places = np.arange(len(given)) * (speed / ONE) - (TAPS - 1) + BEFORE
    wanted = np.sin(2 * np.pi * hz / RATE_HZ * places)
    away = (given - wanted)[TAPS:]
    assert 20 * np.log10(np.abs(away).max()) < -76.0, "0.001 dB of it is the level"
    level_db = 20 * np.log10(np.linalg.norm(given[TAPS:]) / np.linalg.norm(wanted[TAPS:]))
    assert -0.003 < level_db < 0.0


def test_no_frequency_becomes_louder() -> None:
    turns = np.linspace(0.0, 0.5, 2_001)
    waves = np.exp(-2j * np.pi * turns[:, np.newaxis] * np.arange(TAPS))
    rows = np.array([taps(phase / PHASES) for phase in range(0, PHASES + 1, 4)])
    between = np.concatenate((rows, (rows[1:] + rows[:-1]) / 2))
    assert np.abs(waves @ between.T).max() < 1.0


def test_the_cutting_into_blocks_changes_no_bit() -> None:
    sound = np.random.default_rng(3).standard_normal((2, 9_600))
    speed = round((1.0 - 133e-6) * ONE)
    whole = retimed(sound, speed, [9_600])
    assert np.array_equal(whole, retimed(sound, speed, [1, 4_799, 17, 0, 4_783]))


def test_it_says_how_far_the_next_frame_is_behind() -> None:
    retimer = Retimer(1)
    before = np.zeros((1, 4_800))
    for _ in range(20):
        retimer(before, ONE + 400_000)
    after = np.zeros((1, 4_800))
    after[0, 0] = 1.0
    pending = retimer.pending_frames
    given = retimer(after, ONE)[0]
    around = np.argmax(np.abs(given))
    assert abs(around - pending) <= 0.5, "the click is heard so many frames after the first frame that comes out"
