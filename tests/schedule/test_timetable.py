from __future__ import annotations

from datetime import UTC, datetime, timedelta
from itertools import pairwise
from zoneinfo import ZoneInfo

import pytest

from residue.schedule.opening import Opening
from residue.schedule.programme import Programme
from residue.schedule.timetable import (
    AHEAD_S,
    LEAST_REST_S,
    OVER_S,
    TOO_LATE_S,
    is_due,
    kept_timetable,
    next_due,
    timetable,
)

OPENS = datetime(2026, 3, 3, 9, tzinfo=UTC)
OPENING = Opening(OPENS, OPENS + timedelta(hours=1), "drawn")
ZONE = ZoneInfo("UTC")
NAMES = ("first-batch", "second-batch")
DURATION_S = {"first-batch": 300.0, "second-batch": 120.375}


def at(seconds: float) -> datetime:
    return OPENS + timedelta(seconds=seconds)


def test_each_begins_at_a_whole_second_after_the_rest() -> None:
    entries = timetable(OPENING, Programme(performances=NAMES, rest_s=10.5), DURATION_S, ZONE)
    assert entries is not None
    assert [(one.begins - OPENS).total_seconds() for one in entries[:4]] == [0.0, 311.0, 443.0, 754.0]


def test_there_is_time_between_two_even_without_a_rest() -> None:
    entries = timetable(OPENING, Programme(performances=NAMES, first_silence_s=7.2), DURATION_S, ZONE)
    assert entries is not None
    assert entries[0].begins == at(8.0)
    assert all((later.begins - one.ends).total_seconds() == LEAST_REST_S for one, later in pairwise(entries))
    assert AHEAD_S < LEAST_REST_S, "the one has ended before the next is ordered"


def test_listed_starts_are_kept() -> None:
    entries = timetable(OPENING, Programme(performances=NAMES, starts="every 10 min"), DURATION_S, ZONE)
    assert entries is not None
    assert {one.begins.minute % 10 for one in entries} == {0}


def test_nothing_is_known_without_the_lengths() -> None:
    assert timetable(OPENING, Programme(performances=NAMES), {"first-batch": 300.0}, ZONE) is None


@pytest.mark.parametrize(
    ("seconds", "unplayable", "number"),
    [
        (-60.0, {}, 0),
        (0.0, {}, 0),
        (299.0 - TOO_LATE_S, {}, 0),
        (300.0 - TOO_LATE_S, {}, 1),
        (304.9, {}, 1),
        (100.0, {"first-batch": "It is broken."}, 1),
        (3_599.0, {}, None),
    ],
)
def test_what_is_due_follows_from_the_time(seconds: float, unplayable: dict[str, str], number: int | None) -> None:
    entries = timetable(OPENING, Programme(performances=NAMES), DURATION_S, ZONE)
    assert entries is not None
    assert next_due(entries, at(seconds), unplayable) == number


def test_a_turn_is_due_from_its_order_until_a_little_after_its_end() -> None:
    entries = timetable(OPENING, Programme(performances=NAMES), DURATION_S, ZONE)
    assert entries is not None
    due = [seconds for seconds in range(-20, 320) if is_due(entries[0], at(seconds))]
    assert (due[0], due[-1]) == (-AHEAD_S - OVER_S, 300 + OVER_S - 1)


def test_it_is_worked_out_again_only_after_a_change() -> None:
    kept, programme = kept_timetable(), Programme(performances=NAMES)
    once = kept(OPENING, programme, DURATION_S, ZONE)
    assert kept(OPENING, programme, dict(DURATION_S), ZONE) is once
    other = kept(OPENING, programme, {**DURATION_S, "second-batch": 60.0}, ZONE)
    assert other is not None
    assert once is not None
    assert other[2].begins < once[2].begins
    assert kept(None, programme, DURATION_S, ZONE) is None
