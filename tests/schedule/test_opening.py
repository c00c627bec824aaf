from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from zoneinfo import ZoneInfo

from hypothesis import given
from hypothesis import strategies as st

from residue.schedule.opening import EVERYDAY, EventTerms, Opening, settled, without

BEGIN = datetime(2026, 3, 1, tzinfo=UTC)
ZONES = st.sampled_from([ZoneInfo(name) for name in ("Europe/Berlin", "Australia/Lord_Howe", "Africa/Cairo", "UTC")])
QUIET, SHORT = EventTerms(trim_db=-6.0), EventTerms(performances=("first-batch",))


def hours_of_day(opens_h: float, closes_h: float, terms: EventTerms = EVERYDAY, why: str = "drawn") -> Opening:
    return Opening(BEGIN + timedelta(hours=opens_h), BEGIN + timedelta(hours=closes_h), why, terms)


RAW = st.lists(
    st.builds(
        lambda start, length, terms: hours_of_day(start / 4, (start + length) / 4, terms),
        st.integers(0, 60 * 24 * 4),
        st.integers(0, 72 * 4),
        st.sampled_from([EVERYDAY, EVERYDAY, QUIET, SHORT]),
    ),
    max_size=12,
)


def open_by(openings: Sequence[Opening], moment: datetime) -> set[EventTerms]:
    return {opening.terms for opening in openings if opening.opens <= moment < opening.closes}


@given(RAW, ZONES)
def test_the_house_is_open_when_anything_says_so_and_a_private_view_comes_first(
    raw: list[Opening], zone: ZoneInfo
) -> None:
    found = settled(raw, zone)
    for moment in (opening.opens for opening in raw):
        written, held = open_by(raw, moment), open_by(found, moment)
        assert len(held) == min(1, len(written))
        assert held <= (written - {EVERYDAY} or written)
    assert all(earlier.closes <= later.opens for earlier, later in pairwise(found))
    assert all(timedelta() < opening.closes - opening.opens <= timedelta(hours=49) for opening in found)
    assert all(one.closes == then.opens and one.terms == then.terms for one, then in pairwise(found) if one.goes_on)
    assert not (found and found[-1].goes_on)


def test_a_house_that_stays_open_at_midnight_says_so_and_one_that_a_private_view_takes_over_does_not() -> None:
    found = settled([hours_of_day(0, 96), hours_of_day(48, 50, QUIET)], ZoneInfo("UTC"))
    again = settled([*without([*found[:2]], [hours_of_day(40, 41)]), *found[2:]], ZoneInfo("UTC"))
    hours = [((one.closes - BEGIN) / timedelta(hours=1), one.goes_on) for one in found]
    assert hours == [(24, True), (48, False), (50, False), (96, False)]
    assert [one.goes_on for one in again] == [True, False, False, False, False]


def test_openings_that_overlap_or_touch_are_one_with_both_reasons() -> None:
    raw = [hours_of_day(10, 12, why="weekly hours"), hours_of_day(11, 13, why="late shift"), hours_of_day(13, 14)]
    assert settled(raw, ZoneInfo("UTC")) == [hours_of_day(10, 14, why="weekly hours; late shift; drawn")]


def test_a_private_view_takes_its_time_from_the_everyday_hours() -> None:
    raw = [hours_of_day(10, 18), hours_of_day(16, 17, QUIET)]
    assert settled(raw, ZoneInfo("UTC")) == [hours_of_day(10, 16), hours_of_day(16, 17, QUIET), hours_of_day(17, 18)]


def test_of_two_private_views_at_once_the_later_waits_for_the_earlier() -> None:
    raw = [hours_of_day(16, 18, QUIET), hours_of_day(17, 19, SHORT), hours_of_day(17, 17.5, SHORT)]
    assert settled(raw, ZoneInfo("UTC")) == [hours_of_day(16, 18, QUIET), hours_of_day(18, 19, SHORT)]


def test_what_is_closed_is_taken_away() -> None:
    left = without([hours_of_day(10, 18)], [hours_of_day(9, 11), hours_of_day(12, 13), hours_of_day(17, 20)])
    assert left == [hours_of_day(11, 12), hours_of_day(13, 17)]
