from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import pytest

import residue
from residue.control.readiness import hours_in_words, obstacles

WELL: Mapping[str, Any] = {
    "health": {"version": residue.__version__, "attention": [], "planning": None, "ears_known": True},
    "now": "2026-03-03T09:45:00+01:00",
    "open": False,
    "opens": "2026-03-03T10:00:00+01:00",
    "closes": None,
}


def but(**health: Any) -> Mapping[str, Any]:
    return {**WELL, "health": {**WELL["health"], **health}}


def test_a_well_house_before_its_opening_is_ready() -> None:
    assert list(obstacles(WELL)) == []
    assert hours_in_words(WELL) == "It opens at Tue 10:00."


def test_an_open_house_says_when_it_closes() -> None:
    open_now = {**WELL, "open": True, "opens": None, "closes": "2026-03-03T18:00:00+01:00"}
    assert list(obstacles(open_now)) == []
    assert hours_in_words(open_now) == "It is open until Tue 18:00."


def test_a_house_that_stays_open_is_ready() -> None:
    always = {**WELL, "open": True, "opens": None, "closes": None}
    assert list(obstacles(always)) == []
    assert hours_in_words(always) == "It is open for more than a week."


@pytest.mark.parametrize(
    ("told", "sentence"),
    [
        (but(version="0.0.1"), "The house runs version 0.0.1"),
        (but(attention=["10.0.0.5 holds the house."]), "10.0.0.5 holds the house."),
        (but(planning="second-batch"), "second-batch is still being made ready."),
        (but(ears_known=False), "Levels at the ear are unknown."),
        ({**WELL, "opens": None}, "It does not open within 2 days."),
        ({**WELL, "opens": "2026-03-06T10:00:00+01:00"}, "It does not open within 2 days."),
    ],
)
def test_each_obstacle_is_told(told: Mapping[str, Any], sentence: str) -> None:
    [found] = obstacles(told)
    assert found.startswith(sentence)
