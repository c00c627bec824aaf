from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest

from residue.archive.swap.places import Candidate, Request, When
from residue.runtime.engine.snapshot import Snapshot
from residue.runtime.house.house_state import House
from residue.runtime.swap.moment import Moment, moment
from residue.schedule.opening import Opening
from residue.schedule.programme import Programme

MORNING, NOON, EVENING = (datetime(2026, 3, 3, hour, tzinfo=UTC) for hour in (9, 12, 18))
PROGRAMME = Programme(performances=("first-batch", "second-batch"), rest_s=5)


def candidate(when: When) -> Candidate:
    return Candidate(name="first-batch", request=Request(when=when, bag="third-batch", asked=NOON), path=Path("x"))


@pytest.mark.parametrize(
    ("when", "now", "wanted", "free"),
    [
        (When.NOW, Moment("first-batch", begun=True, opened=MORNING), True, True),
        (When.NOW, Moment("first-batch", begun=False, opened=MORNING), True, False),
        (When.NOW, Moment("second-batch", begun=False, opened=MORNING), True, True),
        (When.AT_REST, Moment("first-batch", begun=True, opened=MORNING), True, False),
        (When.AT_REST, Moment("second-batch", begun=True, opened=MORNING), True, True),
        (When.AT_REST, Moment(None, opened=MORNING), True, True),
        (When.AT_OPENING, Moment(None, opened=MORNING), False, True),
        (When.AT_OPENING, Moment(None, opened=None), True, True),
        (When.AT_OPENING, Moment("first-batch", opened=EVENING), True, False),
    ],
    ids=[
        "now, while it plays",
        "now, while it is about to begin",
        "now, while another begins",
        "at rest, while it plays",
        "at rest, while another plays",
        "at rest, in the rest",
        "at opening, in the opening it was asked in",
        "at opening, while closed",
        "at opening, when the machine was off until the next one",
    ],
)
def test_when_it_is_wanted_and_when_it_can_be(when: When, now: Moment, *, wanted: bool, free: bool) -> None:
    assert now.wanted(candidate(when)) is wanted
    assert now.free(candidate(when)) is free


def test_the_moment_is_that_of_house_and_engine() -> None:
    opening = Opening(MORNING, EVENING, "drawn")
    house = House(opening=opening, under_way=True, turn=3)
    engine = Snapshot(turn=3, performance="first-batch")
    assert moment(house, PROGRAMME, engine, opening) == Moment("first-batch", begun=True, opened=MORNING)
    about = Snapshot(turn=2, performance=None)
    assert moment(house, PROGRAMME, about, opening) == Moment("first-batch", begun=False, opened=MORNING)
    fading = replace(house, under_way=False)
    assert moment(fading, PROGRAMME, engine, opening) == Moment("first-batch", begun=False, opened=MORNING)
    late = Snapshot(turn=2, performance="second-batch")  # one still fades while the bag of the next is read
    assert moment(house, PROGRAMME, late, opening) == Moment("first-batch", begun=False, opened=MORNING)
    assert moment(House(), PROGRAMME, Snapshot(), None) == Moment(None, begun=True, opened=None)
