from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from residue.schedule.calendar import LOOKED_AHEAD, PagedCalendar, closing
from residue.schedule.opening import Opening, settled

BEGIN = datetime(2026, 3, 1, tzinfo=UTC)
ZONES = st.sampled_from([ZoneInfo(name) for name in ("Europe/Berlin", "Australia/Lord_Howe", "Africa/Cairo", "UTC")])


@st.composite
def raw_openings(draw: st.DrawFn) -> list[Opening]:
    pairs = st.tuples(st.integers(0, 60 * 24 * 4), st.integers(0, 72 * 4))
    return [
        Opening(opens := BEGIN + timedelta(minutes=15 * start), opens + timedelta(minutes=15 * length), "drawn")
        for start, length in draw(st.lists(pairs, max_size=12))
    ]


def open_by(openings: Sequence[Opening], moment: datetime) -> bool:
    return any(opening.opens <= moment < opening.closes for opening in openings)


@given(raw_openings(), ZONES, st.integers(0, 62 * 24 * 60))
def test_a_calendar_answers_as_its_source_says(raw: list[Opening], zone: ZoneInfo, minutes: int) -> None:
    calendar = PagedCalendar(zone, lambda _first, _days: raw)
    moment = BEGIN + timedelta(minutes=minutes)
    under_way = calendar.opening_at(moment)
    change = calendar.next_change(moment)
    assert (under_way is not None) == open_by(raw, moment)
    assert under_way is None or under_way.opens <= moment < under_way.closes
    edges = [edge for opening in settled(raw, zone) for edge in (opening.opens, opening.closes) if edge > moment]
    assert change == min(edges, default=None)


@given(raw_openings().filter(bool), ZONES, st.data())
def test_a_house_closes_where_nothing_of_its_source_is_open_any_more(
    raw: list[Opening], zone: ZoneInfo, data: st.DataObject
) -> None:
    """Midnights at which it stays open are no closings, though openings end there (Opening.goes_on)."""
    calendar = PagedCalendar(zone, lambda _first, _days: raw)
    one = data.draw(st.sampled_from(raw))
    moment = one.opens + data.draw(st.floats(0.0, 0.999)) * (one.closes - one.opens)
    assume(one.opens < one.closes)
    under_way = calendar.opening_at(moment)
    assert under_way is not None
    ends = moment
    while following := [opening.closes for opening in raw if opening.opens <= ends < opening.closes]:
        ends = max(following)
    assert closing(calendar, under_way) == (ends if ends - under_way.opens <= LOOKED_AHEAD else None)


def test_a_house_that_never_closes_names_no_closing() -> None:
    zone = ZoneInfo("Europe/Berlin")

    def always(first: date, days: int) -> list[Opening]:
        opens = datetime(first.year, first.month, first.day, tzinfo=zone)
        return [Opening(opens, opens + timedelta(days=days), "always")]

    calendar = PagedCalendar(zone, always)
    moment = datetime(2026, 3, 3, 12, tzinfo=zone)
    under_way = calendar.opening_at(moment)
    assert under_way is not None
    assert under_way.closes == datetime(2026, 3, 4, tzinfo=zone)
    assert closing(calendar, under_way) is None


def test_the_edges_of_an_opening_belong_to_it_at_the_start_and_not_at_the_end() -> None:
    zone = ZoneInfo("Europe/Berlin")
    only = Opening(datetime(2026, 3, 3, 10, tzinfo=zone), datetime(2026, 3, 3, 18, tzinfo=zone), "drawn")
    calendar = PagedCalendar(zone, lambda _first, _days: [only])
    instant = timedelta(microseconds=1)
    assert calendar.opening_at(only.opens - instant) is None
    assert calendar.opening_at(only.opens) == only
    assert calendar.opening_at(only.closes - instant) == only
    assert calendar.opening_at(only.closes) is None


@pytest.mark.parametrize("zone_name", ["Pacific/Kiritimati", "Pacific/Pago_Pago", "Asia/Kathmandu"])
def test_days_are_those_of_the_place(zone_name: str) -> None:
    zone = ZoneInfo(zone_name)
    early = Opening(datetime(2026, 3, 3, 0, 15, tzinfo=zone), datetime(2026, 3, 3, 1, tzinfo=zone), "drawn")
    calendar = PagedCalendar(zone, lambda _first, _days: [early])
    assert calendar.openings(date(2026, 3, 3), 1) == [early]
    assert calendar.openings(date(2026, 3, 2), 1) == calendar.openings(date(2026, 3, 4), 1) == []
