from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import icalendar
import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st

from residue.schedule import agenda, events
from residue.schedule.calendar import Calendar
from residue.schedule.hours import Hours, calendar
from residue.schedule.opening import EventTerms
from residue.schedule.programme import Programme

HOURS = msgspec.convert(
    {
        "time_zone": "Europe/Berlin",
        "weekly": {"thu": ["10:00-12:30", "13:00-24:00"], "sat": ["22:00-04:00"]},
        "exception": [{"date": "2026-03-27", "open": ["18:00-20:00"], "why": "late shift"}],
        "programme": {"performances": ["first-batch", "second-batch"], "rest_s": 600},
    },
    Hours,
)
DURATION_S = {"first-batch": 30 * 60, "second-batch": 45 * 60}


def test_the_coming_days_are_told_in_words() -> None:
    assert agenda.words(calendar(HOURS), date(2026, 3, 25), 5) == [
        "Wed 25 Mar 2026  closed",
        "Thu 26 Mar 2026  10:00 to 12:30  (2 h 30 min)  weekly hours",
        "Thu 26 Mar 2026  13:00 to 24:00  (11 h)  weekly hours",
        "Fri 27 Mar 2026  18:00 to 20:00  (2 h)  late shift",
        "Sat 28 Mar 2026  22:00 to 04:00 on Sun  (5 h; the clock changes)  weekly hours",
        "Sun 29 Mar 2026  closed",
    ]


def test_programs_read_times_with_their_offset() -> None:
    plain = {"trim_db": 0.0, "performances": ()}
    assert agenda.data(calendar(HOURS), date(2026, 3, 27), 2) == {
        "time_zone": "Europe/Berlin",
        "openings": [
            {"opens": "2026-03-27T18:00:00+01:00", "closes": "2026-03-27T20:00:00+01:00", "why": "late shift"} | plain,
            {"opens": "2026-03-28T22:00:00+01:00", "closes": "2026-03-29T04:00:00+02:00", "why": "weekly hours"}
            | plain,
        ],
    }


def test_what_will_be_played_fills_the_opening_and_closing_cuts_the_last() -> None:
    berlin = ZoneInfo("Europe/Berlin")
    [evening] = calendar(HOURS).openings(date(2026, 3, 27), 1)
    found = agenda.plays(evening, HOURS.programme, DURATION_S, berlin)
    assert [(play.performance, f"{play.begins.astimezone(berlin):%H:%M}", play.whole) for play in found] == [
        ("first-batch", "18:00", True),
        ("second-batch", "18:40", True),
        ("first-batch", "19:35", False),
    ]
    assert found[-1].ends == datetime(2026, 3, 27, 20, tzinfo=berlin)


@pytest.mark.parametrize(
    ("choices", "expected"),
    [
        ({"at_closing": "whole"}, ["18:00-18:30", "18:40-19:25"]),
        ({"at_closing": "finish"}, ["18:00-18:30", "18:40-19:25", "19:35-20:05"]),
        ({"starts": "full hour"}, ["18:00-18:30", "19:00-19:45"]),
        ({"starts": ["18:20", "19:15"], "rest_s": 0}, ["18:20-18:50", "19:15-20:00"]),
        ({"first_silence_s": 900, "rest_s": 0}, ["18:15-18:45", "18:45-19:30", "19:30-20:00"]),
    ],
)
def test_what_will_be_played_follows_the_programme(choices: dict[str, object], expected: list[str]) -> None:
    [evening] = calendar(HOURS).openings(date(2026, 3, 27), 1)
    programme = msgspec.convert({"performances": list(DURATION_S), "rest_s": 600} | choices, Programme)
    found = agenda.plays(evening, programme, DURATION_S, HOURS.zone)
    assert [f"{play.begins:%H:%M}-{play.ends:%H:%M}" for play in found] == expected


def test_a_house_that_stays_open_goes_on_over_midnight() -> None:
    """Each day begins after what is under way at midnight, with its rest (Opening.goes_on)."""
    raw = {
        "time_zone": "Europe/Berlin",
        "exception": [{"date": "2026-05-05", "until": "2026-05-08", "open": ["00:00-24:00"]}],
        "programme": {"performances": ["a"], "rest_s": 600},
    }
    hours = msgspec.convert(raw, Hours)
    written = datetime(2026, 3, 1, tzinfo=UTC)

    def begins(first: date, days: int) -> list[str]:
        """The first performance of each day, each 7 h long."""
        exported = agenda.ics(calendar(hours), first, days, hours.programme, {"a": 25_200.0}, written)
        events = icalendar.Calendar.from_ical(exported).walk("VEVENT")
        return [str(event["description"]).split()[0] for event in events]

    # 7 h 10 min apart from 00:00 on: 00:00, 07:10, 14:20, 21:30 to 04:30; and from 04:40 on 11:50, 19:00 to 02:00.
    assert begins(date(2026, 5, 5), 4) == ["00:00:00", "04:40:00", "02:10:00", "06:50:00"]
    assert begins(date(2026, 5, 7), 1) == ["02:10:00"], "whichever day is the first that is printed"


def test_a_house_that_opened_at_noon_and_stays_open_goes_on_from_there() -> None:
    """Its first opening lasts until the second midnight, so none begins on the day between."""
    opened = {"date": "2026-05-05", "open": ["12:00-24:00"]}
    whole = {"date": "2026-05-06", "until": "2026-05-08", "open": ["00:00-24:00"]}
    raw = {"time_zone": "UTC", "exception": [opened, whole], "programme": {"performances": ["a"], "rest_s": 600}}
    hours = msgspec.convert(raw, Hours)
    exported = agenda.ics(
        calendar(hours), date(2026, 5, 7), 1, hours.programme, {"a": 25_200.0}, datetime(2026, 3, 1, tzinfo=UTC)
    )
    [event] = icalendar.Calendar.from_ical(exported).walk("VEVENT")
    # 36 h are 5 times 7 h 10 min and 10 min: the sixth ends at 06:50 on the 7th.
    assert str(event["description"]).split()[0] == "07:00:00"


def test_a_private_view_is_told_with_its_terms() -> None:
    view = {"date": "2026-03-25", "open": ["19:00-21:00"], "trim_db": -6, "performances": ["first-batch"]}
    raw = {"time_zone": "Europe/Berlin", "private_view": [view], "programme": {"performances": ["first-batch"]}}
    answers = calendar(msgspec.convert(raw, Hours))
    assert agenda.words(answers, date(2026, 3, 25), 1) == [
        "Wed 25 Mar 2026  19:00 to 21:00  (2 h)  private view, 6 dB lower, plays first-batch"
    ]


def test_the_exported_calendar_opens_as_the_hours_it_was_made_from(tmp_path: Path) -> None:
    """Read back by way of the calendar-file reader, over a change of the clock."""
    written = datetime(2026, 3, 1, tzinfo=UTC)
    exported = agenda.ics(calendar(HOURS), date(2026, 3, 25), 8, HOURS.programme, DURATION_S, written)
    path = tmp_path / "agenda.ics"
    path.write_bytes(exported)
    read_back = calendar(HOURS, events.read(path, HOURS.zone).everyday)
    spans = [(one.opens, one.closes) for one in calendar(HOURS).openings(date(2026, 3, 25), 8)]
    assert [(one.opens, one.closes) for one in read_back.openings(date(2026, 3, 25), 8)] == spans


def test_the_exported_calendar_says_what_is_played_and_keeps_its_identities() -> None:
    def export(written: datetime) -> list[icalendar.Event]:
        raw = agenda.ics(calendar(HOURS), date(2026, 3, 27), 1, HOURS.programme, DURATION_S, written)
        return icalendar.Calendar.from_ical(raw).events

    [first], [later] = export(datetime(2026, 3, 1, tzinfo=UTC)), export(datetime(2026, 3, 2, tzinfo=UTC))
    assert first["UID"] == later["UID"]
    assert int(str(first["SEQUENCE"])) < int(str(later["SEQUENCE"]))
    assert str(first["DESCRIPTION"]).splitlines() == [
        "18:00:00 to 18:30:00  first-batch",
        "18:40:00 to 19:25:00  second-batch",
        "19:35:00 to 20:00:00  first-batch, cut by closing",
    ]


def test_identities_outlive_an_opening_that_is_moved_and_differ_between_houses() -> None:
    """RFC 5545, 3.8.4.7: one identity for an event over all its revisions, and for no other."""

    def identities(span: str, house: str) -> list[str]:
        raw = {"time_zone": "Europe/Berlin", "weekly": {"fri": [span]}, "programme": {"performances": ["first-batch"]}}
        answers = calendar(msgspec.convert(raw, Hours))
        written = datetime(2026, 3, 1, tzinfo=UTC)
        exported = agenda.ics(answers, date(2026, 3, 25), 14, HOURS.programme, DURATION_S, written, house)
        return [str(event["UID"]) for event in icalendar.Calendar.from_ical(exported).events]

    usual, moved, other = (
        identities(*one) for one in (("18:00-20:00", "a"), ("17:30-21:00", "a"), ("18:00-20:00", "b"))
    )
    assert usual == moved
    assert len(set(usual) | set(other)) == 4


ZONES = ("Europe/Berlin", "America/Sao_Paulo", "Australia/Lord_Howe", "Africa/Casablanca", "Asia/Kathmandu")
FIRST_DAYS = (date(2026, 3, 22), date(2026, 10, 18), date(2026, 2, 10))
"""Before changes of the clock in some of these zones (IANA database), of half an hour in Lord Howe."""


@st.composite
def day_spans(draw: st.DrawFn) -> list[str]:
    """Up to two spans of a day, whole hours; the last may be a night."""
    edges = sorted(draw(st.sets(st.integers(0, 24), min_size=4, max_size=4)))
    night = f"{(edges[2] + 11) % 24:02}:00" if draw(st.booleans()) else "24:00"
    written = [f"{edges[0]:02}:00-{edges[1]:02}:00", f"{edges[2]:02}:30-{night}"]
    return written[: draw(st.integers(0, 2))]


TERMS = st.fixed_dictionaries(
    {"trim_db": st.one_of(st.just(0.0), st.floats(-40, 0).filter(lambda trim_db: trim_db < 0))},
    optional={"performances": st.lists(st.sampled_from(sorted(DURATION_S)), min_size=1, max_size=2)},
)
EXCEPTIONS: list[dict[str, object]] = [
    {"weekday": "sun", "trim_db": -9, "silent": ["00:30-04:00", "12:00-12:30"]},
    {"weekday": ["mon", "thu"], "performances": ["second-batch"], "open": ["20:00-06:00"]},
    {"weekday": "first tue", "open": []},
    {"every_year": "03-24 to 10-21", "silent": ["22:00-03:00"]},
    {"date": "2026-03-28", "until": "2026-03-30", "open": ["00:00-24:00"]},
]
WHYS = st.sampled_from(
    ["private view", "closed elsewhere", "Preview", "a talk; later, bread", "Vernissage: wine", "Geschlosen"]
)


@given(
    st.sampled_from(ZONES),
    st.sampled_from(FIRST_DAYS),
    st.dictionaries(st.sampled_from(("mon", "tue", "wed", "thu", "fri", "sat", "sun")), day_spans()),
    st.lists(st.tuples(st.integers(0, 13), day_spans().filter(bool), TERMS, WHYS), max_size=4),
    st.lists(st.sampled_from(EXCEPTIONS), max_size=3, unique_by=str),
)
def test_any_exported_calendar_read_back_gives_the_same_hours_trims_and_performances(
    tmp_path_factory: pytest.TempPathFactory,
    zone: str,
    first: date,
    weekly: dict[str, list[str]],
    views: list[tuple[int, list[str], dict[str, object], str]],
    exceptions: list[dict[str, object]],
) -> None:
    tables = [{"date": first + timedelta(days=n), "open": open_, "why": why} | on for n, open_, on, why in views]
    raw = {"time_zone": zone, "programme": {"performances": ["first-batch"]}}
    asked = calendar(msgspec.convert(raw | {"weekly": weekly, "private_view": tables, "exception": exceptions}, Hours))
    exported = agenda.ics(asked, first, 14, HOURS.programme, DURATION_S, datetime(2026, 3, 1, tzinfo=UTC))
    path = tmp_path_factory.mktemp("agenda") / "hours.ics"
    path.write_bytes(exported)
    bare = msgspec.convert(raw, Hours)
    found = events.read(path, bare.zone, DURATION_S)
    read_back = calendar(bare, found.everyday, found.private_views)

    def told(answers: Calendar) -> list[tuple[datetime, datetime, EventTerms, bool]]:
        return [(one.opens, one.closes, one.terms, one.then_silent) for one in answers.openings(first, 14)]

    assert told(read_back) == told(asked)


def test_the_programme_is_told_as_it_was_understood() -> None:
    raw = {
        "performances": ["first-batch", "second-batch"],
        "share": {"second-batch": 3},
        "weekday": {"sun": ["first-batch"]},
        "rest_s": 90,
        "starts": ["11:00", "15:30"],
        "first_silence_s": 60,
        "at_closing": "whole",
    }
    assert agenda.programme_words(msgspec.convert(raw, Programme)) == [
        "Plays first-batch, second-batch, in this order; second-batch 3 times as often.",
        "On Sundays: first-batch.",
        "Rests for 90 s after each.",
        "Each begins at 11:00, 15:30.",
        "Begins with 60 s of silence.",
        "Closing time: no performance begins that would not end before it.",
        "After a hold or a power cut: goes on where it was.",
    ]


@pytest.mark.parametrize(
    ("span", "ends"), [("00:00-24:00", "24:00"), ("13:00-24:00", "24:00"), ("22:00-04:00", "04:00")]
)
def test_the_end_of_a_day_is_not_its_beginning(span: str, ends: str) -> None:
    hours = msgspec.convert(
        {"time_zone": "Europe/Berlin", "weekly": {"thu": [span]}, "programme": {"performances": ["a"]}}, Hours
    )
    [opening] = calendar(hours).openings(date(2026, 3, 26), 1)
    assert agenda.closing_time(opening, hours.zone) == ends
