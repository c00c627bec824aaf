from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from itertools import pairwise
from zoneinfo import ZoneInfo

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st

from residue.schedule.calendar import Calendar
from residue.schedule.hours import Hours, calendar
from residue.schedule.opening import EventTerms

BAKERY = {
    "time_zone": "Europe/Berlin",
    "weekly": {
        "tue": ["10:00-18:00"],
        "thu": ["10:00-12:30", "13:00-22:00"],
        "fri": ["22:00-04:00"],
    },
    "exception": [
        {"date": "2026-12-24", "open": [], "why": "the ovens are cold"},
        {"date": "2026-12-29", "until": "2026-12-30", "open": ["12:00-13:00"]},
    ],
    "programme": {"performances": ["first-batch", "second-batch"], "rest_s": 240},
}


def hours(**changed: object) -> Hours:
    return msgspec.convert(BAKERY | changed, Hours)


def told(answers: Calendar, first: str, days: int) -> list[str]:
    return [
        f"{opening.opens:%a %d %H:%M} {opening.closes:%a %d %H:%M} {opening.why}"
        for opening in answers.openings(date.fromisoformat(first), days)
    ]


def test_a_week_opens_as_written() -> None:
    assert told(calendar(hours()), "2026-12-07", 7) == [
        "Tue 08 10:00 Tue 08 18:00 weekly hours",
        "Thu 10 10:00 Thu 10 12:30 weekly hours",
        "Thu 10 13:00 Thu 10 22:00 weekly hours",
        "Fri 11 22:00 Sat 12 04:00 weekly hours",
    ]


def test_an_exception_holds_instead_of_the_weekly_hours() -> None:
    assert told(calendar(hours()), "2026-12-21", 11) == [
        "Tue 22 10:00 Tue 22 18:00 weekly hours",
        "Fri 25 22:00 Sat 26 04:00 weekly hours",
        "Tue 29 12:00 Tue 29 13:00 exception",
        "Wed 30 12:00 Wed 30 13:00 exception",
        "Thu 31 10:00 Thu 31 12:30 weekly hours",
        "Thu 31 13:00 Thu 31 22:00 weekly hours",
    ]


def test_a_night_belongs_to_the_day_on_which_it_begins() -> None:
    closed_saturday = hours(exception=[{"date": "2026-12-12", "open": []}])
    closed_friday = hours(exception=[{"date": "2026-12-11", "open": []}])
    assert told(calendar(closed_saturday), "2026-12-11", 2) == ["Fri 11 22:00 Sat 12 04:00 weekly hours"]
    assert told(calendar(closed_friday), "2026-12-11", 2) == []


def test_nights_that_run_into_the_next_day_are_one_opening_with_it() -> None:
    weekly = {"fri": ["22:00-04:00"], "sat": ["03:00-06:00", "06:00-07:00"]}
    assert told(calendar(hours(weekly=weekly)), "2026-12-11", 3) == ["Fri 11 22:00 Sat 12 07:00 weekly hours"]


def test_a_house_that_never_closes_begins_every_day_anew() -> None:
    weekly = {day: ["00:00-24:00"] for day in ("mon", "tue", "wed", "thu", "fri", "sat", "sun")}
    always = calendar(hours(weekly=weekly, exception=[]))
    openings = always.openings(date(2026, 1, 1), 365)
    assert len(openings) == 365
    assert all(earlier.closes == later.opens for earlier, later in pairwise(openings))
    assert always.opening_at(datetime(2026, 6, 1, 12, tzinfo=UTC)) == openings[151]


@pytest.mark.parametrize(
    ("changed", "message"),
    [
        pytest.param(
            {"time_zone": "Europe/Berlinn"},
            "time_zone: 'Europe/Berlinn' is not a time zone of the IANA database. Did you mean Europe/Berlin?",
            id="zone misspelt",
        ),
        pytest.param(
            {"time_zone": "localtime"},
            "time_zone: 'localtime' is not a time zone of the IANA database. Write a name such as Europe/Berlin.",
            id="zone of the machine",
        ),
        pytest.param(
            {"time_zone": "../etc/passwd"},
            "time_zone: '../etc/passwd' is not a time zone of the IANA database. Write a name such as Europe/Berlin.",
            id="zone out of the way",
        ),
        pytest.param(
            {"weekly": {"tue": ["18:00-10:00"]}},
            "tue: '18:00-10:00' ends before it starts and would be a night of more than 12 hours. Did you mean "
            "10:00-18:00? For so long a night write two spans, one up to 24:00 and one from 00:00 on the next day. "
            "- at `$.weekly`",
            id="swapped",
        ),
        pytest.param(
            {"exception": [{"date": "2026-12-24", "until": "2026-12-23", "open": []}]},
            "The exception runs from 2026-12-24 until 2026-12-23. Write the later date as until. - at `$.exception[0]`",
            id="until before date",
        ),
        pytest.param(
            {"exception": [{"date": "2026-12-24", "until": "9999-12-31", "open": []}]},
            "The exception from 2026-12-24 until 9999-12-31 is longer than a year. Shorten it. - at `$.exception[0]`",
            id="until far away",
        ),
        pytest.param(
            {
                "exception": [
                    {"date": "2026-12-24", "open": []},
                    {"date": "2026-12-24", "open": ["10:00-14:00"]},
                ]
            },
            "exception: 2026-12-24 has 2 exceptions, and neither is narrower. Keep one, or name fewer days in one.",
            id="one date twice",
        ),
    ],
)
def test_hours_that_cannot_be_meant_are_refused_with_the_mend(changed: dict[str, object], message: str) -> None:
    with pytest.raises(msgspec.ValidationError) as caught:
        hours(**changed)
    assert str(caught.value) == message


def test_ninety_days_are_the_same_whether_asked_for_at_once_or_minute_by_minute() -> None:
    asked_at_once = calendar(hours()).openings(date(2026, 10, 1), 90)
    by_the_way = calendar(hours())
    begin = datetime(2026, 9, 30, 22, tzinfo=UTC)
    found = [by_the_way.opening_at(begin + timedelta(minutes=30 * n)) for n in range(90 * 48)]
    assert list(dict.fromkeys(filter(None, found))) == asked_at_once


def test_a_season_has_weekly_hours_of_its_own() -> None:
    season = {"name": "summer", "from": "2026-07-01", "until": "2026-07-07", "weekly": {"wed": ["18:00-23:00"]}}
    assert told(calendar(hours(season=[season])), "2026-06-30", 11) == [
        "Tue 30 10:00 Tue 30 18:00 weekly hours",
        "Wed 01 18:00 Wed 01 23:00 summer",
        "Thu 09 10:00 Thu 09 12:30 weekly hours",
        "Thu 09 13:00 Thu 09 22:00 weekly hours",
        "Fri 10 22:00 Sat 11 04:00 weekly hours",
    ]


def test_public_holidays_hold_before_seasons_and_after_exceptions() -> None:
    """Whit Monday of 2026 is 25 May (Easter Sunday is 5 April); Women's Day is a holiday in Berlin, not in Bavaria."""
    every_day = {day: ["10:00-18:00"] for day in ("mon", "tue", "wed", "thu", "fri", "sat", "sun")}
    season = {"name": "spring", "from": "2026-03-01", "until": "2026-05-31", "weekly": every_day}
    berlin = calendar(
        hours(
            season=[season],
            holidays={"country": "DE", "region": "BE", "open": ["12:00-16:00"]},
            exception=[{"date": "2026-04-03", "open": []}],
        )
    )
    bavaria = calendar(hours(season=[season], holidays={"country": "DE", "region": "BY"}))
    assert told(berlin, "2026-05-25", 1) == ["Mon 25 12:00 Mon 25 16:00 Pfingstmontag"]
    assert told(berlin, "2026-03-08", 1) == ["Sun 08 12:00 Sun 08 16:00 Frauentag"]
    assert told(berlin, "2026-04-03", 1) == []
    assert told(bavaria, "2026-05-25", 1) == []
    assert told(bavaria, "2026-03-08", 1) == ["Sun 08 10:00 Sun 08 18:00 spring"]


def test_a_private_view_is_open_beside_the_hours_of_its_day_on_its_own_terms() -> None:
    view = {"date": "2026-12-10", "open": ["21:00-24:00"], "trim_db": -6, "performances": ["third-batch"]}
    answers = calendar(hours(private_view=[view]))
    assert told(answers, "2026-12-10", 1) == [
        "Thu 10 10:00 Thu 10 12:30 weekly hours",
        "Thu 10 13:00 Thu 10 21:00 weekly hours",
        "Thu 10 21:00 Fri 11 00:00 private view",
    ]
    assert answers.openings(date(2026, 12, 10), 1)[-1].terms == EventTerms(-6.0, ("third-batch",))


@pytest.mark.parametrize(
    ("changed", "message"),
    [
        pytest.param(
            {"holidays": {"country": "Germany"}},
            "'Germany' is not a country whose holidays are known. Write its two letters, such as DE. - at `$.holidays`",
            id="country by name",
        ),
        pytest.param(
            {"holidays": {"country": "DE", "region": "BEE"}},
            "'BEE' is no region of DE with holidays of its own. Did you mean BE? - at `$.holidays`",
            id="region misspelt",
        ),
        pytest.param(
            {
                "season": [
                    {"name": "late", "from": "2026-07-07", "until": "2026-07-31", "weekly": {}},
                    {"name": "early", "from": "2026-07-01", "until": "2026-07-07", "weekly": {}},
                ]
            },
            "season: The seasons 'early' and 'late' overlap. Let one end before the other, or lie within it.",
            id="seasons overlap",
        ),
        pytest.param(
            {"season": [{"name": "summer", "from": "2026-09-01", "until": "2026-07-07", "weekly": {}}]},
            "The season 'summer' runs from 2026-09-01 until 2026-07-07. Write the later date as until. "
            "- at `$.season[0]`",
            id="season backwards",
        ),
        pytest.param(
            {"private_view": [{"date": "2026-12-10", "open": ["21:00-24:00"], "trim_db": 3}]},
            "Expected `float` <= 0.0 - at `$.private_view[0].trim_db`",
            id="louder at a private view",
        ),
    ],
)
def test_seasons_holidays_and_private_views_that_cannot_be_meant_are_refused(
    changed: dict[str, object], message: str
) -> None:
    with pytest.raises(msgspec.ValidationError) as caught:
        hours(**changed)
    assert str(caught.value) == message


# Any hours, against the rule told minute by minute, where no clock changes (Asia/Kolkata has had none since 1945).

QUARTERS = st.integers(0, 95)


@st.composite
def spans(draw: st.DrawFn) -> tuple[str, ...]:
    """Up to three spans of a day, the last of which may end on the next."""
    edges = sorted(draw(st.sets(QUARTERS, max_size=6)))
    pairs = list(zip(edges[::2], edges[1::2], strict=False))
    past_midnight: bool = draw(st.booleans())
    if pairs and past_midnight:
        start, _ = pairs.pop()
        end: int = draw(st.integers(0, start - 48)) if start >= 48 else 96
        pairs.append((start, end))
    return tuple(f"{a // 4:02d}:{a % 4 * 15:02d}-{b // 4:02d}:{b % 4 * 15:02d}" for a, b in pairs)


def covers(written: tuple[str, ...], minute: int) -> bool:
    """Whether a minute after the midnight of the day on which the spans stand lies in one of them."""
    for text in written:
        (a, b), (c, d) = (map(int, half.split(":")) for half in text.split("-"))
        start, end = a * 60 + b, c * 60 + d
        if start <= minute < (end if end > start else end + 1440):
            return True
    return False


@given(
    st.fixed_dictionaries({}, optional={day: spans() for day in ("mon", "tue", "wed", "thu", "fri", "sat", "sun")}),
    st.dictionaries(st.dates(date(2026, 3, 1), date(2026, 3, 14)), spans(), max_size=4),
    st.lists(st.integers(24 * 60, 13 * 24 * 60), min_size=5, max_size=20),
)
def test_any_hours_are_open_when_the_rule_says_so(
    weekly: dict[str, tuple[str, ...]], special: dict[date, tuple[str, ...]], minutes: list[int]
) -> None:
    asked = hours(
        time_zone="Asia/Kolkata",
        weekly=weekly,
        exception=[{"date": day.isoformat(), "open": list(written)} for day, written in special.items()],
    )

    def on(day: date) -> tuple[str, ...]:
        return special.get(day, weekly.get(("mon", "tue", "wed", "thu", "fri", "sat", "sun")[day.weekday()], ()))

    answers = calendar(asked)
    midnight = datetime(2026, 3, 1, tzinfo=ZoneInfo("Asia/Kolkata"))
    for minute in minutes:
        moment = midnight + timedelta(minutes=minute)
        today, wall = moment.date(), minute % 1440
        expected = covers(on(today), wall) or covers(on(today - timedelta(days=1)), wall + 1440)
        assert (answers.opening_at(moment) is not None) == expected
