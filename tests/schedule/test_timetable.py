from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from zoneinfo import ZoneInfo

import pytest

from residue.schedule.agenda import AgendaEntry
from residue.schedule.calendar import PagedCalendar
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
    timetables,
)

OPENS = datetime(2026, 3, 3, 9, tzinfo=UTC)
OPENING = Opening(OPENS, OPENS + timedelta(hours=1), "drawn")
ZONE = ZoneInfo("UTC")
NAMES = ("first-batch", "second-batch")
DURATION_S = {"first-batch": 300.0, "second-batch": 120.375}


def at(seconds: float) -> datetime:
    return OPENS + timedelta(seconds=seconds)


def calendar(*openings: Opening) -> PagedCalendar:
    return PagedCalendar(ZONE, lambda _first, _days: openings)


def timetable(programme: Programme, duration_s: Mapping[str, float] = DURATION_S) -> Sequence[AgendaEntry]:
    """Of the one opening."""
    found = timetables(calendar(OPENING), OPENING, programme, duration_s)
    assert found is not None
    [one] = found
    assert one.opening == OPENING
    return one.entries


def test_each_begins_at_a_whole_second_after_the_rest() -> None:
    entries = timetable(Programme(performances=NAMES, rest_s=10.5))
    assert [(one.begins - OPENS).total_seconds() for one in entries[:4]] == [0.0, 311.0, 443.0, 754.0]


def test_there_is_time_between_two_even_without_a_rest() -> None:
    entries = timetable(Programme(performances=NAMES, first_silence_s=7.2))
    assert entries[0].begins == at(8.0)
    assert all((later.begins - one.ends).total_seconds() == LEAST_REST_S for one, later in pairwise(entries))
    assert AHEAD_S < LEAST_REST_S, "the one has ended before the next is ordered"


def test_listed_starts_are_kept() -> None:
    entries = timetable(Programme(performances=NAMES, starts="every 10 min"))
    assert {one.begins.minute % 10 for one in entries} == {0}


def test_nothing_is_known_without_the_lengths() -> None:
    assert timetables(calendar(OPENING), OPENING, Programme(performances=NAMES), {"first-batch": 300.0}) is None


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
    entries = timetable(Programme(performances=NAMES))
    assert next_due(entries, at(seconds), unplayable) == number


def test_a_turn_is_due_from_its_order_until_a_little_after_its_end() -> None:
    entries = timetable(Programme(performances=NAMES))
    due = [seconds for seconds in range(-20, 320) if is_due(entries[0], at(seconds))]
    assert (due[0], due[-1]) == (-AHEAD_S - OVER_S, 300 + OVER_S - 1)


def test_it_is_worked_out_again_only_after_a_change() -> None:
    kept, programme, drawn = kept_timetable(), Programme(performances=NAMES), calendar(OPENING)
    once = kept(drawn, OPENING, programme, DURATION_S, OPENS)
    assert kept(drawn, OPENING, programme, dict(DURATION_S), OPENS) is once
    other = kept(drawn, OPENING, programme, {**DURATION_S, "second-batch": 60.0}, OPENS)
    assert other is not None
    assert once is not None
    assert other.entries[2].begins < once.entries[2].begins
    assert kept(drawn, None, programme, DURATION_S, OPENS) is None


def test_a_later_calendar_at_the_address_of_one_that_is_gone_is_not_taken_for_it() -> None:
    """On 6 May both are open alike, but the one since noon of the 4th and the other since an hour before."""
    kept, programme, begins = kept_timetable(), Programme(performances=("first-batch",), rest_s=600), []
    late = datetime(2026, 5, 6, 23, 59, tzinfo=UTC)
    for hour in (12, 11) * 3:
        drawn = calendar(
            Opening(datetime(2026, 5, 4, hour, tzinfo=UTC), datetime(2026, 9, 1, tzinfo=UTC), "drawn"),
        )
        due = kept(drawn, drawn.opening_at(late), programme, SEVEN_HOURS_S, late)
        assert due is not None
        begins.append(due.entries[0].begins)
        del drawn
    # 7 h 10 min apart: 36 h are 5 times that and 10 min, 37 h 5 times and 1 h 10 min.
    assert begins == [datetime(2026, 5, 6, 7, tzinfo=UTC), datetime(2026, 5, 6, 6, tzinfo=UTC)] * 3


SEVEN_HOURS_S = {"first-batch": 7 * 3600.0, "second-batch": 600.0}


def begun(day: int) -> datetime:
    """The first to be played of a day in May and June, in a house that opens on 4 May at noon and never closes."""
    drawn = calendar(Opening(datetime(2026, 5, 4, 12, tzinfo=UTC), datetime(2026, 9, 1, tzinfo=UTC), "drawn"))
    late = datetime(2026, 5, 1, 23, 59, tzinfo=UTC) + timedelta(days=day - 1)
    due = kept_timetable()(
        drawn, drawn.opening_at(late), Programme(performances=("first-batch",), rest_s=600), SEVEN_HOURS_S, late
    )
    assert due is not None
    return due.entries[0].begins


def test_a_house_that_stays_open_plays_over_midnight_what_is_under_way() -> None:
    """7 h 10 min apart: from 4 May 12:00 on to 6 May 06:00, whatever a day, as the first opening lasts two days."""
    assert [begun(day) for day in (4, 5)] == [datetime(2026, 5, 4, 12, tzinfo=UTC)] * 2
    noon = datetime(2026, 5, 4, 12, tzinfo=UTC)
    apart = timedelta(hours=7, minutes=10)
    for day in range(6, 32):
        gone = begun(day) - noon
        assert gone % apart == timedelta(0)
        assert timedelta(0) <= begun(day) - datetime(2026, 5, day, tzinfo=UTC) < apart


def test_where_it_never_closes_each_month_begins_at_midnight_so_that_a_room_need_not_know_since_when() -> None:
    """So the last day of a month plays only what ends by then."""
    midnight = datetime(2026, 6, 1, tzinfo=UTC)
    assert begun(32) == midnight
    drawn = calendar(Opening(datetime(2026, 5, 4, 12, tzinfo=UTC), datetime(2026, 9, 1, tzinfo=UTC), "drawn"))
    last = drawn.opening_at(midnight - timedelta(minutes=1))
    assert last is not None
    found = timetables(drawn, last, Programme(performances=("first-batch",), rest_s=600), SEVEN_HOURS_S)
    assert found is not None
    assert found[-1].opening.closes == midnight
    assert found[-1].entries[-1].ends <= midnight < found[-1].entries[-1].ends + timedelta(hours=7, minutes=10)
    assert all(one.whole for day in found for one in day.entries)


def test_until_the_last_has_ended_a_moment_after_midnight_belongs_to_the_day_before() -> None:
    midnight = datetime(2026, 5, 6, tzinfo=UTC)
    kept, programme = kept_timetable(), Programme(performances=("first-batch",), rest_s=600)
    drawn = calendar(Opening(datetime(2026, 5, 4, 12, tzinfo=UTC), datetime(2026, 9, 1, tzinfo=UTC), "drawn"))
    yesterday = kept(drawn, drawn.opening_at(midnight), programme, SEVEN_HOURS_S, midnight)
    assert yesterday is not None
    over = yesterday.entries[-1].ends
    assert yesterday.opening.closes == over > midnight
    today = kept(drawn, drawn.opening_at(over), programme, SEVEN_HOURS_S, over)
    assert today is not None
    assert (today.opening.opens, today.entries[0].begins) == (over, over + timedelta(minutes=10))
