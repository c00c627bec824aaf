from __future__ import annotations

from datetime import date, datetime, time, timedelta

import msgspec
import pytest
from dateutil.rrule import rrulestr
from hypothesis import given
from hypothesis import strategies as st

from residue.schedule.recurring import Days

FIRST, COUNT = date(2026, 1, 1), 4 * 366


def held(**raw: object) -> list[date]:
    days = msgspec.convert(raw, Days)
    return [day for day in (FIRST + timedelta(days=n) for n in range(COUNT)) if days.hold_on(day)]


def by_rule(rule: str) -> list[date]:
    begins = datetime.combine(FIRST, time())
    ends = begins + timedelta(days=COUNT - 1)
    return [one.date() for one in rrulestr(rule, dtstart=begins).between(begins, ends, inc=True)]


@pytest.mark.parametrize(
    ("raw", "rule"),
    [
        ({"weekday": "thu"}, "FREQ=WEEKLY;BYDAY=TH"),
        ({"weekday": ["mon", "sun"]}, "FREQ=WEEKLY;BYDAY=MO,SU"),
        ({"weekday": "first thu"}, "FREQ=MONTHLY;BYDAY=1TH"),
        ({"weekday": "fourth fri"}, "FREQ=MONTHLY;BYDAY=4FR"),
        ({"weekday": "last sun"}, "FREQ=MONTHLY;BYDAY=-1SU"),
        ({"weekday": ["second tue", "last tue"]}, "FREQ=MONTHLY;BYDAY=2TU,-1TU"),
        ({"every_year": "12-24"}, "FREQ=YEARLY;BYMONTH=12;BYMONTHDAY=24"),
        ({"every_year": "02-29"}, "FREQ=YEARLY;BYMONTH=2;BYMONTHDAY=29"),
        ({"every_year": ["05-01", "10-03 to 10-04"]}, "FREQ=YEARLY;BYYEARDAY=121,276,277"),
        ({"every_year": "12-30 to 01-02"}, "FREQ=YEARLY;BYYEARDAY=1,2,-2,-1"),
        ({"weekday": "wed", "until": "2026-06-30"}, "FREQ=WEEKLY;BYDAY=WE;UNTIL=20260630T000000"),
        ({"date": "2026-03-03"}, "FREQ=YEARLY;COUNT=1;BYMONTH=3;BYMONTHDAY=3"),
        ({"date": "2026-03-03", "until": "2026-03-05"}, "FREQ=DAILY;BYMONTH=3;BYMONTHDAY=3,4,5;COUNT=3"),
    ],
)
def test_days_are_those_of_the_same_rule_in_rfc_5545(raw: dict[str, object], rule: str) -> None:
    """By `dateutil`. (1 May, and 3 and 4 October, are days 121, 276 and 277 of a common year: see below.)"""
    common = [day for day in held(**raw) if "YEARDAY=121" not in rule or day.year != 2028]
    assert common == [day for day in by_rule(rule) if "YEARDAY=121" not in rule or day.year != 2028]


def test_nothing_holds_before_its_first_day() -> None:
    assert held(weekday="thu", **{"from": "2026-02-05", "until": "2026-02-13"}) == [date(2026, 2, 5), date(2026, 2, 12)]


@pytest.mark.parametrize(
    ("narrower", "wider"),
    [
        ({"date": "2026-12-24"}, {"date": "2026-12-20", "until": "2026-12-27"}),
        ({"date": "2026-01-01", "until": "2026-12-31"}, {"every_year": "12-24"}),
        ({"every_year": "12-24"}, {"every_year": "12-20 to 12-27"}),
        ({"every_year": "01-01 to 12-31"}, {"weekday": "first thu"}),
        ({"weekday": "first thu"}, {"weekday": "thu"}),
        ({"weekday": "thu"}, {"weekday": ["thu", "fri"]}),
        ({"weekday": ["thu", "fri"], "from": "2026-06-01", "until": "2026-08-31"}, {"weekday": "first thu"}),
    ],
)
def test_fewer_days_are_narrower_and_dates_before_years_before_weeks(
    narrower: dict[str, object], wider: dict[str, object]
) -> None:
    one, other = msgspec.convert(narrower, Days), msgspec.convert(wider, Days)
    assert one.narrowness < other.narrowness
    assert one.clash(other) is None


@pytest.mark.parametrize(
    ("one", "other", "met"),
    [
        ({"date": "2026-12-24"}, {"date": "2026-12-24"}, date(2026, 12, 24)),
        ({"date": "2026-12-24"}, {"date": "2026-12-25"}, None),
        ({"date": "9999-12-31"}, {"date": "9999-12-31"}, date(9999, 12, 31)),
        ({"weekday": "last thu"}, {"weekday": "fourth thu"}, date(2024, 1, 25)),
        ({"weekday": "first thu"}, {"weekday": "last thu"}, None),
        ({"every_year": "12-24 to 12-25"}, {"every_year": "12-25 to 12-26"}, date(2024, 12, 25)),
    ],
)
def test_two_that_are_as_narrow_on_the_same_day_clash(
    one: dict[str, object], other: dict[str, object], met: date | None
) -> None:
    assert msgspec.convert(one, Days).clash(msgspec.convert(other, Days)) == met


@pytest.mark.parametrize(
    ("raw", "message"),
    [
        ({}, "There is no day. Write one of date, every_year and weekday."),
        ({"date": "2026-12-24", "weekday": "thu"}, "There is date and weekday. Write one of"),
        ({"date": "2026-12-24", "from": "2026-12-24"}, "There is date and from. Write the first day as date."),
        ({"weekday": "thursday"}, "'thursday' is no day of the week. Write one such as thu, first thu or last sun."),
        ({"weekday": "fifth thu"}, "'fifth thu' is no day of the week."),
        ({"every_year": "24.12."}, "'24.12.' is no day of every year. Write month-day, such as 12-24"),
        ({"every_year": "02-30"}, "'02-30' is no day of every year."),
        ({"weekday": "thu", "from": "2026-12-24", "until": "2026-12-23"}, "Write the later date as until."),
    ],
)
def test_days_that_cannot_be_meant_are_refused(raw: dict[str, object], message: str) -> None:
    with pytest.raises(msgspec.ValidationError) as caught:
        msgspec.convert(raw, Days)
    assert message in str(caught.value)


@given(st.dates(date(2024, 1, 1), date(2051, 12, 31)), st.sampled_from(["mon", "wed", "last fri", "third sun"]))
def test_a_stretch_of_weeks_holds_on_its_days_of_the_week_alone(begins: date, weekday: str) -> None:
    some = msgspec.convert({"weekday": weekday, "from": begins, "until": begins + timedelta(days=90)}, Days)
    always = msgspec.convert({"weekday": weekday}, Days)
    around = [begins + timedelta(days=n) for n in range(-30, 121)]
    assert [day for day in around if some.hold_on(day)] == [day for day in around[30:121] if always.hold_on(day)]
