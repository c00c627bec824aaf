"""Texts in OpenStreetMap's opening_hours form.

The expected answers were worked out with two independent readers (the npm package opening_hours 3.15.0 and the one
used here) for the specification 0.7.2 on the OpenStreetMap wiki, and agree in both unless said otherwise.
1 June 2026 is a Monday.
"""

from __future__ import annotations

import re
from datetime import UTC, date, datetime
from zoneinfo import ZoneInfo

import msgspec
import pytest

from residue.schedule.calendar import Calendar
from residue.schedule.hours import Hours, calendar

BERLIN = ZoneInfo("Europe/Berlin")


def by(text: str, **more: object) -> Calendar:
    raw = {"time_zone": "Europe/Berlin", "opening_hours": text, "programme": {"performances": ["first-batch"]}}
    return calendar(msgspec.convert(raw | more, Hours))


@pytest.mark.parametrize(
    ("text", "moments"),
    [
        ("24/7", {"2026-06-01 03:00": True, "2026-12-25 23:59": True}),
        ("Mo-Fr 08:00-17:30", {"2026-06-02 09:00": True, "2026-06-04 19:00": False, "2026-06-06 11:00": False}),
        (
            "Tu-Su 10:00-18:00; Th 10:00-20:00",
            {"2026-06-04 19:00": True, "2026-06-01 11:00": False, "2026-06-02 19:00": False},
        ),
        ("Tu-Su 10:00-18:00, Th 18:00-22:00", {"2026-06-04 11:00": True, "2026-06-04 19:00": True}),
        ("Fr 22:00-26:00", {"2026-06-05 23:30": True, "2026-06-06 01:30": True, "2026-06-06 11:00": False}),
        ("Mo-Su 10:00-18:00; Dec 25 off", {"2026-12-25 11:00": False, "2026-12-24 11:00": True}),
        ("Su[1] 10:00-18:00", {"2026-06-07 11:00": True, "2026-06-28 11:00": False}),
        ("Su[-1] 10:00-18:00", {"2026-06-28 11:00": True, "2026-06-07 11:00": False}),
        (
            "Apr-Oct: Mo-Su 10:00-19:00; Nov-Mar: Tu-Su 10:00-17:00",
            {"2026-06-01 11:00": True, "2026-12-24 11:00": True, "2026-12-07 11:00": False},
        ),
        (
            "week 01-53/2 Fr 09:00-12:00",
            {
                "2026-01-02 10:00": True,
                "2026-01-09 10:00": False,
                "2026-01-16 10:00": True,
                "2026-12-25 10:00": False,
                "2027-01-01 10:00": True,
            },
        ),
        ("Mo-Fr 22:00-04:00", {"2026-06-06 03:00": True, "2026-06-08 03:00": False}),
        ("Mo-Su 10:00-18:00; easter -2 days off", {"2026-04-03 11:00": False, "2026-04-04 11:00": True}),
        ("24/7; Jan 01 off", {"2026-01-01 11:00": False, "2026-01-02 11:00": True}),
        ("Jan 01 off; 24/7", {"2026-01-01 11:00": True}),
        ("2026 Mar 01-2026 Jun 30 Tu-Su 10:00-18:00", {"2026-06-07 11:00": True, "2026-08-03 11:00": False}),
        (
            "Mo-Su 08:00-18:00; Apr 10-15 off; Jun 08:00-14:00; Aug off; Dec 25 off",
            {"2026-06-02 12:30": True, "2026-06-04 19:00": False, "2026-08-03 11:00": False, "2026-12-25 11:00": False},
        ),
    ],
)
def test_a_text_means_what_independent_readers_say(text: str, moments: dict[str, bool]) -> None:
    answers = by(text)
    found = {
        moment: answers.opening_at(datetime.fromisoformat(moment).replace(tzinfo=BERLIN)) is not None
        for moment in moments
    }
    assert found == moments


@pytest.mark.parametrize(
    ("day", "closes_utc"), [("2026-03-28", "2026-03-29T02:00"), ("2026-10-24", "2026-10-25T03:00")]
)
def test_a_night_over_a_change_of_the_clock_closes_by_the_wall_clock(day: str, closes_utc: str) -> None:
    [night] = by("Mo-Su 22:00-04:00").openings(date.fromisoformat(day), 1)
    assert night.closes == datetime.fromisoformat(closes_utc).replace(tzinfo=UTC)


@pytest.mark.parametrize(
    ("day", "utc"),
    [("2026-03-29", ("01:15", "01:45")), ("2026-10-25", ("00:15", "00:45"))],
)
def test_times_in_a_gap_or_fold_are_read_as_everywhere_else(day: str, utc: tuple[str, str]) -> None:
    """The two readers disagree here; RFC 5545, 3.3.5 decides."""
    [short] = by("Mo-Su 02:15-02:45").openings(date.fromisoformat(day), 1)
    assert (f"{short.opens.astimezone(UTC):%H:%M}", f"{short.closes.astimezone(UTC):%H:%M}") == utc


def test_an_exception_holds_even_in_a_house_that_never_closes() -> None:
    answers = by("24/7", exception=[{"date": "2026-12-24", "open": ["10:00-14:00"], "why": "short day"}])
    told = [f"{one.opens:%d %H:%M} {one.closes:%d %H:%M} {one.why}" for one in answers.openings(date(2026, 12, 23), 3)]
    assert told == ["23 00:00 24 00:00 weekly hours", "24 10:00 24 14:00 short day", "25 00:00 26 00:00 weekly hours"]


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("Tu 10:00+", "'Tu 10:00+' has a time with an open end. Write when it ends."),
        ("sunrise-sunset", "'sunrise-sunset' depends on the sun. Write times."),
        ("Mo-Fr 08:00-12:00; PH off", "depends on holidays. Write their hours under [holidays]."),
        ('Mo-Fr 08:00-12:00 || "by appointment"', "does not say whether it is open. Write times."),
        ("Mo-Fr 25:00-27:00", "is not in the form of opening_hours. Write it as Tu-Su 10:00-18:00; Th 10:00-20:00."),
        ("Xx 10:00-12:00", "is not in the form of opening_hours."),
        ("10-12h", "is not in the form of opening_hours."),
        ("Mo-Fr 08.00-17.30", "is not in the form of opening_hours."),
    ],
)
def test_what_would_have_to_be_guessed_is_refused(text: str, message: str) -> None:
    with pytest.raises(msgspec.ValidationError, match=re.escape(message)):
        by(text)


def test_weekly_hours_and_a_text_exclude_each_other() -> None:
    with pytest.raises(msgspec.ValidationError, match="There are both weekly hours and opening_hours"):
        by("24/7", weekly={"tue": ["10:00-18:00"]})
