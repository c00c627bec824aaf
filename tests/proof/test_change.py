from __future__ import annotations

from functools import cache

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.signal import fftconvolve

from residue.proof.change import (
    LEARNT_WINDOWS,
    RATE_HZ,
    SURE_WINDOWS,
    LouderRoom,
    Spectra,
    aligned,
    change_db,
    spectra,
    thinned,
)
from tests.proof.simulated_room import HALL, noise

Floats = NDArray[np.float64]
FRAMES = 30 * RATE_HZ
SWELL = 0.3 + 0.7 * np.sin(np.pi * np.arange(FRAMES) / (7.0 * RATE_HZ)) ** 2
RESPONSES = [8.0 * thinned(speaker.response) for speaker in HALL.values()]
"""At the rate of the windows, so that this takes a moment; thinning takes the gain of a single sample away."""


def piece(seed: int) -> Floats:
    """(3, frames): swelling murmurs, of which two outputs share one, as pieces do."""
    left, right, back = (noise(FRAMES, -30.0, 10 * seed + one) for one in range(3))
    sent: Floats = np.array([left + 0.5 * right, right + 0.5 * left, 0.5 * back]) * SWELL
    return sent


@cache
def heard(seed: int) -> Floats:
    given = noise(FRAMES, -85.0)
    for channel, response in zip(piece(seed), RESPONSES, strict=True):
        given += fftconvolve(channel, response)[:FRAMES]
    return given


def window(seed: int, gain_db: float = 0.0, more: Floats | float = 0.0) -> Spectra:
    return spectra(piece(seed), 10.0 ** (gain_db / 20.0) * heard(seed) + more)


@pytest.fixture(scope="module")
def reference() -> Spectra:
    return window(1) + window(2)


@pytest.mark.parametrize("gain_db", [-6.0, 0.0, 3.0, 6.0])
def test_a_knob_is_told_in_db(reference: Spectra, gain_db: float) -> None:
    assert change_db(window(3, gain_db), reference) == pytest.approx(gain_db, abs=0.5)


@pytest.mark.parametrize("late_ms", [-300.0, 0.0, 170.0])
def test_what_was_heard_is_found_however_the_clocks_of_two_devices_lie(reference: Spectra, late_ms: float) -> None:
    margin, sent = round(0.4 * RATE_HZ), piece(3)
    around = np.roll(np.pad(heard(3), margin), round(late_ms * RATE_HZ / 1000.0))
    found = aligned(sent, around)
    assert len(found) == sent.shape[1]
    assert change_db(spectra(sent, found), reference) == pytest.approx(0.0, abs=0.7)


def crowd(level_dbfs: float) -> Floats:
    """People who talk louder and softer with the piece, as one does who talks over it."""
    talk: Floats = noise(FRAMES, level_dbfs, 77) * SWELL
    return talk


@pytest.mark.parametrize("level_dbfs", [-40.0, -32.0, -25.0, -15.0])
def test_visitors_are_not_taken_for_a_louder_house(reference: Spectra, level_dbfs: float) -> None:
    changed = change_db(window(3, more=crowd(level_dbfs)), reference)
    assert changed is None or abs(changed) < 1.0


def test_a_room_in_which_the_house_is_not_heard_is_not_known(reference: Spectra) -> None:
    assert change_db(window(3, -200.0, noise(FRAMES, -30.0, 5)), reference) is None


def test_a_louder_room_is_told_only_where_some_windows_in_a_row_agree() -> None:
    room = LouderRoom()
    for count in range(LEARNT_WINDOWS):
        assert room.look(window(1 + count % 2)) is None
    told = []
    for gain_db in (0.0, 6.0, 0.0, 6.0, 6.0, 6.0):
        room.look(window(3, gain_db))
        told.append(room.louder_db)
    assert told[:-1] == pytest.approx([0.0] * 5, abs=0.5)
    assert told[-1] == pytest.approx(6.0, abs=0.5)
    assert SURE_WINDOWS == 3
    room.look(window(3, -200.0, noise(FRAMES, -30.0, 5)))
    assert room.louder_db == 0.0, "what cannot be told counts as nothing"


@pytest.mark.parametrize("place", [0, 2], ids=["first", "later"])
def test_a_gap_while_it_learns_does_not_make_the_room_seem_louder_afterwards(place: int) -> None:
    """What a device repeats or leaves out lies apart from then on: the window is heard as quieter than it was."""
    torn = heard(2).copy()
    torn[FRAMES // 2 :] = np.roll(torn[FRAMES // 2 :], 4 * RATE_HZ // 10)
    windows = [window(1), window(3), window(1), window(3), window(1)]
    windows.insert(place, spectra(piece(2), torn))
    room = LouderRoom()
    changes = [room.look(one) for one in (*windows, window(3), window(1), window(3))]
    told = [one for one in changes if one is not None]
    assert len(told) >= 3
    assert told == pytest.approx([0.0] * len(told), abs=0.5)
    assert change_db(spectra(piece(2), torn), window(1)) == pytest.approx(-6.0, abs=2.5), "the gap is one"
