from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import Any

import msgspec
import pytest

from residue.problems import Severity
from residue.schedule.beside import calendar_of
from residue.schedule.doubts import doubts, out_of_time
from residue.schedule.hours import Hours

RAW = {"time_zone": "Europe/Berlin", "programme": {"performances": ["first-batch"]}}
WEEKLY = {"tue": ["10:00-18:00"], "thu": ["10:00-22:00"]}
CLOSED = {"date": "2026-12-24", "open": [], "why": "Christmas Eve"}
VIEW = {"date": "2026-12-24", "open": ["19:00-23:00"]}
FORGOTTEN = "The house will be open for it. Remove one of them if that is a mistake."
LEFT_OUT = "Remove the event, or the entry that closes the house on that day."
UNWATCHED = "Have somebody there, change the hours, or add it to [security]."


def event(uid: int, day: str, summary: str, *more: str, times: tuple[str, str] | None = None) -> list[str]:
    at = (
        [f"DTSTART;VALUE=DATE:{day}"]
        if times is None
        else [f"DTSTART;TZID=Europe/Berlin:{day}T{times[0]}00", f"DTEND;TZID=Europe/Berlin:{day}T{times[1]}00"]
    )
    return ["BEGIN:VEVENT", f"UID:{uid}", "DTSTAMP:20260101T000000Z", *at, f"SUMMARY:{summary}", *more, "END:VEVENT"]


def told(folder: Path, first: str = "2026-12-20", days: int = 14, **more: object) -> list[str]:
    hours = msgspec.convert(RAW | more, Hours)
    found = doubts(hours, calendar_of(folder, hours), date.fromisoformat(first), days)
    return [str(finding) for finding in found]


def save(folder: Path, *events: list[str]) -> None:
    head, tail = ["BEGIN:VCALENDAR", "VERSION:2.0", "PRODID:-//bakery//EN"], ["END:VCALENDAR", ""]
    lines = [*head, *(line for one in events for line in one), *tail]
    (folder / "hours.ics").write_text("\r\n".join(lines))


@pytest.mark.parametrize(
    "more",
    [
        pytest.param({"exception": [CLOSED]}, id="closed by an exception"),
        pytest.param({"holidays": {"country": "BG", "language": "en_US"}}, id="closed as a holiday"),
    ],
)
def test_a_private_view_on_a_closed_day_is_pointed_out(tmp_path: Path, more: dict[str, Any]) -> None:
    """24 December is a public holiday in Bulgaria (Labour Code, article 154)."""
    assert told(tmp_path, weekly=WEEKLY, private_view=[VIEW], **more) == [
        f"hours.toml: Thu 24 Dec 2026 is closed (Christmas Eve), and has a private view (private view). {FORGOTTEN}"
    ]


def test_a_private_view_on_a_day_that_the_calendar_closes_is_pointed_out(tmp_path: Path) -> None:
    save(
        tmp_path,
        event(1, "20261222", "Ovens repaired: closed"),
        event(2, "20261222", "Preview", times=("1900", "2100")),
        event(3, "20261223", "Preview", times=("1900", "2100")),
    )
    assert told(tmp_path) == [
        f"hours.ics: Tue 22 Dec 2026 is closed (Ovens repaired: closed), and has a private view (Preview). {FORGOTTEN}"
    ]


def test_an_event_of_which_nothing_is_left_is_pointed_out_unless_it_is_repeated(tmp_path: Path) -> None:
    save(
        tmp_path,
        event(1, "20261201", "Open", "RRULE:FREQ=DAILY", times=("1000", "1800")),
        event(2, "20261224", "Baking for children", times=("1400", "1600")),
        event(3, "20261226", "Late opening", times=("1800", "2200")),
        event(4, "20261226", "Closed"),
    )
    assert told(tmp_path, exception=[CLOSED]) == [
        f"hours.ics: Thu 24 Dec 2026 has an event (Baking for children), but the house is closed then. {LEFT_OUT}",
        f"hours.ics: Sat 26 Dec 2026 has an event (Late opening), but the house is closed then. {LEFT_OUT}",
    ]


def test_an_event_that_joins_the_night_before_is_not_left_out(tmp_path: Path) -> None:
    late = event(2, "20261225", "Open", "DURATION:PT4H", times=("2200", "2300"))
    late.remove("DTEND;TZID=Europe/Berlin:20261225T230000")
    save(tmp_path, event(1, "20261226", "Open: night baking", times=("0100", "0300")), late)
    assert told(tmp_path, first="2026-12-26") == []


def test_a_day_that_a_holiday_opens_again_is_not_closed(tmp_path: Path) -> None:
    """24 December is a public holiday in Bulgaria (Labour Code, article 154); holidays stand over the calendar."""
    save(tmp_path, event(1, "20261224", "Closed"), event(2, "20261224", "Preview", times=("1900", "2100")))
    opened = {"country": "BG", "open": ["10:00-14:00"]}
    assert told(tmp_path, first="2026-12-24", days=1, holidays=opened) == []


def test_openings_outside_the_security_hours_are_told_once_each(tmp_path: Path) -> None:
    security = {"tue": ["07:00-19:00"], "thu": ["07:00-22:00"], "wed": ["22:00-04:00"]}
    weekly = WEEKLY | {"tue": ["10:00-20:00"]}
    outside = "is outside the security hours"
    assert told(tmp_path, weekly=weekly, security=security, private_view=[VIEW]) == [
        f"hours.toml: Tue 19:00 to 20:00 (weekly hours) {outside}, 2 times from Tue 22 Dec 2026 on. {UNWATCHED}",
        f"hours.toml: Thu 22:00 to 23:00 (weekly hours; private view) {outside}, on Thu 24 Dec 2026. {UNWATCHED}",
    ]


def test_a_night_that_is_watched_from_the_evening_before_is_no_doubt(tmp_path: Path) -> None:
    security = {"fri": ["21:00-05:00"], "sat": ["05:00-06:00"]}
    assert told(tmp_path, weekly={"fri": ["22:00-04:00"]}, security=security) == []


def test_hours_without_anything_odd_leave_no_doubt(tmp_path: Path) -> None:
    assert told(tmp_path, weekly=WEEKLY, exception=[CLOSED]) == []


@pytest.mark.parametrize(
    ("programme", "doubted"),
    [({"starts": ["03:00"]}, True), ({"starts": ["03:00", "17:59"]}, False), ({"first_silence_s": 43_200}, True)],
    ids=["starts by night", "one start in the hours", "silence longer than an opening"],
)
def test_a_programme_that_never_begins_is_pointed_out(
    tmp_path: Path, programme: dict[str, object], *, doubted: bool
) -> None:
    found = told(tmp_path, weekly=WEEKLY, programme={"performances": ["first-batch"], **programme})
    what = (
        "hours.toml: programme: No performance may begin in any opening from Sun 20 Dec 2026 on. "
        "Write starts within the hours, or a shorter first_silence_s."
    )
    assert found == [what] * doubted


def test_days_that_are_past_or_far_off_are_pointed_out() -> None:
    raw = {
        "time_zone": "Europe/Berlin",
        "weekly": WEEKLY,
        "programme": {"performances": ["first-batch"]},
        "exception": [
            {"date": "2025-12-24", "open": [], "why": "the year before"},
            {"date": "2026-12-24", "open": []},
            {"date": "2062-12-24", "open": [], "why": "a slip"},
            {"weekday": "thu", "until": "2026-06-30", "open": []},
            {"weekday": "fri", "open": []},
        ],
        "private_view": [{"date": "2026-11-29", "open": ["19:00-20:00"]}],
        "season": [{"name": "summer", "from": "2028-06-01", "until": "2028-08-31", "weekly": WEEKLY}],
    }
    found = out_of_time(msgspec.convert(raw, Hours), date(2026, 11, 29))
    mend = "Look whether this is the year that is meant."
    assert [(one.severity, str(one)) for one in found if one.severity is Severity.WARNS] == [
        (Severity.WARNS, f"hours.toml: exception[3]: It is far off: its first day is Sun 24 Dec 2062 (a slip). {mend}"),
        (Severity.WARNS, f"hours.toml: season[1]: It is far off: its first day is Thu 01 Jun 2028 (summer). {mend}"),
    ]
    mend = "Remove it, or write the year that is meant."
    assert [str(one) for one in found if one.severity is Severity.NOTES] == [
        f"hours.toml: exception[1]: All its days are past, the last was Wed 24 Dec 2025 (the year before). {mend}",
        f"hours.toml: exception[4]: All its days are past, the last was Tue 30 Jun 2026 (exception). {mend}",
    ]
