"""Lengths and places in words; ISO 80000-3 for the symbols h, min and s, hours and minutes as a clock shows them."""

from __future__ import annotations

import pytest

from residue.durations import duration_in_words, place_in_words, rough_duration_in_words


@pytest.mark.parametrize(
    ("duration_s", "words"), [(28_800.0, "8 h"), (900.0, "15 min"), (90.0, "90 s"), (0.125, "0.125 s")]
)
def test_a_length_is_told_in_its_largest_whole_unit(duration_s: float, words: str) -> None:
    assert duration_in_words(duration_s) == words


@pytest.mark.parametrize(("duration_s", "words"), [(12.4, "12 s"), (89.9, "90 s"), (90.0, "2 min"), (421.0, "7 min")])
def test_a_measured_length_is_rounded(duration_s: float, words: str) -> None:
    assert rough_duration_in_words(duration_s) == words


@pytest.mark.parametrize(
    ("place_s", "whole", "tenths"),
    [(0.0, "0:00", "0:00.0"), (67.3, "1:07", "1:07.3"), (59.97, "1:00", "1:00.0"), (9_004.0, "2:30:04", "2:30:04.0")],
)
def test_a_place_is_told_as_a_clock_shows_it(place_s: float, whole: str, tenths: str) -> None:
    assert place_in_words(place_s) == whole
    assert place_in_words(place_s, tenths=True) == tenths
