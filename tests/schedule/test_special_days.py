from __future__ import annotations

from datetime import date

import msgspec
import pytest

from residue.schedule.hours import Hours, calendar
from residue.schedule.opening import EventTerms
from residue.schedule.special_days import terms_of

EVERY_DAY = {day: ["10:00-18:00"] for day in ("mon", "tue", "wed", "thu", "fri", "sat", "sun")}
RAW = {"time_zone": "Europe/Berlin", "weekly": EVERY_DAY, "programme": {"performances": ["first-batch"]}}
LATE: dict[str, object] = {
    "weekday": "first thu",
    "open": ["10:00-22:00"],
    "why": "late shift",
    "performances": ["second-batch"],
}
QUIET: dict[str, object] = {"weekday": "thu", "trim_db": -9, "why": "quiet Thursday"}


def told(first: str, days: int, exceptions: list[dict[str, object]], **more: object) -> list[str]:
    answers = calendar(msgspec.convert(RAW | {"exception": exceptions} | more, Hours))
    return [
        f"{one.opens:%a %d %H:%M}-{one.closes:%H:%M} {one.why} {one.terms.trim_db:g} {','.join(one.terms.performances)}"
        for one in answers.openings(date.fromisoformat(first), days)
    ]


def test_an_exception_for_a_day_of_the_week_says_terms_and_leaves_the_hours() -> None:
    assert told("2026-12-09", 2, [QUIET]) == [
        "Wed 09 10:00-18:00 weekly hours 0 ",
        "Thu 10 10:00-18:00 weekly hours; quiet Thursday -9 ",
    ]


def test_what_the_narrower_leaves_out_is_said_by_the_wider() -> None:
    """3 December 2026 is a first Thursday."""
    christmas: dict[str, object] = {"every_year": "12-24 to 12-26", "open": []}
    assert told("2026-12-03", 1, [QUIET, LATE]) == ["Thu 03 10:00-22:00 late shift; quiet Thursday -9 second-batch"]
    only: dict[str, object] = {
        "date": "2026-12-03",
        "open": ["12:00-13:00"],
        "trim_db": 0,
        "performances": [],
        "why": "baking day",
    }
    assert told("2026-12-03", 1, [QUIET, LATE, only]) == ["Thu 03 12:00-13:00 baking day 0 "]
    assert told("2026-12-24", 3, [QUIET, LATE, christmas]) == []
    once: dict[str, object] = {"date": "2026-12-24", "open": ["10:00-14:00"], "why": "last bread"}
    assert told("2026-12-24", 3, [QUIET, LATE, christmas, once]) == [
        "Thu 24 10:00-14:00 last bread; quiet Thursday -9 "
    ]


def test_public_holidays_stand_between_days_of_the_year_and_of_the_week() -> None:
    """1 May 2026 is a Friday, and a public holiday in Germany; 25 December 2026 is a Friday as well."""
    fridays: dict[str, object] = {"weekday": "fri", "open": ["18:00-22:00"], "why": "Friday"}
    yearly: dict[str, object] = {"every_year": "12-25", "open": ["12:00-13:00"], "why": "stollen"}
    holidays: dict[str, object] = {"country": "DE", "region": "BE"}
    assert told("2026-05-01", 1, [fridays, yearly], holidays=holidays) == []
    assert told("2026-05-08", 1, [fridays, yearly], holidays=holidays) == ["Fri 08 18:00-22:00 Friday 0 "]
    assert told("2026-12-25", 1, [fridays, yearly], holidays=holidays) == ["Fri 25 12:00-13:00 stollen 0 "]


def test_a_day_of_the_week_comes_before_seasons_and_a_short_season_before_a_long_one() -> None:
    summer = {"name": "summer", "from": "2026-06-01", "until": "2026-08-31", "weekly": {"thu": ["18:00-23:00"]}}
    fair = {"name": "fair", "from": "2026-07-01", "until": "2026-07-07", "weekly": {"thu": ["09:00-23:00"]}}
    seasons = [summer, fair]
    assert told("2026-06-25", 1, [], season=seasons) == ["Thu 25 18:00-23:00 summer 0 "]
    assert told("2026-07-02", 1, [], season=seasons) == ["Thu 02 09:00-23:00 fair 0 "]
    late: dict[str, object] = {
        "weekday": "thu",
        "from": "2026-07-01",
        "until": "2026-07-31",
        "open": ["20:00-21:00"],
        "why": "late",
    }
    assert told("2026-07-02", 1, [late], season=seasons) == ["Thu 02 20:00-21:00 late 0 "]


def test_silence_is_taken_out_of_hours_and_private_views() -> None:
    view: dict[str, object] = {"weekday": "last sun", "open": ["17:00-20:00"], "why": "sourdough club", "trim_db": -3}
    speech: dict[str, object] = {"weekday": "last sun", "silent": ["12:00-12:30", "19:00-19:15"]}
    answers = calendar(msgspec.convert(RAW | {"exception": [speech], "private_view": [view]}, Hours))
    openings = answers.openings(date(2026, 12, 27), 1)
    assert [(f"{one.opens:%H:%M}-{one.closes:%H:%M}", one.then_silent, one.why) for one in openings] == [
        ("10:00-12:00", True, "weekly hours"),
        ("12:30-17:00", False, "weekly hours"),
        ("17:00-19:00", True, "sourdough club"),
        ("19:15-20:00", False, "sourdough club"),
    ]
    assert len(answers.openings(date(2026, 12, 20), 1)) == 1


def test_a_silence_that_begins_at_closing_is_kept_too() -> None:
    speech: dict[str, object] = {"date": "2026-12-27", "silent": ["18:00-18:30"]}
    [opening] = calendar(msgspec.convert(RAW | {"exception": [speech]}, Hours)).openings(date(2026, 12, 27), 1)
    assert opening.then_silent


def test_a_private_view_keeps_its_own_level_on_a_day_with_a_trim() -> None:
    view: dict[str, object] = {"date": "2026-12-10", "open": ["17:00-20:00"], "trim_db": -3}
    assert told("2026-12-10", 1, [QUIET], private_view=[view]) == [
        "Thu 10 10:00-17:00 weekly hours; quiet Thursday -9 ",
        "Thu 10 17:00-20:00 private view -3 ",
    ]


def test_holidays_have_hours_of_their_own_and_names_in_the_language_of_the_place() -> None:
    """Easter Sunday of 2026 is 5 April. The names are those of the `holidays` library."""
    holidays: dict[str, object] = {
        "country": "DE",
        "open": ["12:00-17:00"],
        "each": {"Karfreitag": [], "Ostermontag": ["14:00-16:00"]},
    }
    assert told("2026-04-03", 4, [], holidays=holidays) == [
        "Sat 04 10:00-18:00 weekly hours 0 ",
        "Sun 05 10:00-18:00 weekly hours 0 ",
        "Mon 06 14:00-16:00 Ostermontag 0 ",
    ]
    assert told("2026-05-01", 1, [], holidays=holidays) == ["Fri 01 12:00-17:00 Erster Mai 0 "]
    english: dict[str, object] = {"country": "DE", "language": "en_US", "open": ["12:00-17:00"]}
    assert told("2026-04-06", 1, [], holidays=english) == ["Mon 06 12:00-17:00 Easter Monday 0 "]


def test_the_names_of_holidays_do_not_follow_the_language_of_the_machine(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("LANGUAGE", "en_US")
    holidays: dict[str, object] = {"country": "NL", "open": ["12:00-17:00"]}
    assert told("2026-12-25", 1, [], holidays=holidays) == ["Fri 25 12:00-17:00 Eerste kerstdag 0 "]


def test_of_two_holidays_on_one_day_the_shorter_hours_hold() -> None:
    """Ascension Day of 2008 was 1 May (Easter Sunday was 23 March): Labour Day as well."""
    each = {"Erster Mai": [], "Christi Himmelfahrt": ["12:00-17:00"]}
    assert told("2008-05-01", 1, [], holidays={"country": "DE", "open": ["10:00-18:00"], "each": each}) == []


MISSPELT = "'Karfreitg' is no public holiday of DE. Did you mean Karfreitag?"


@pytest.mark.parametrize(
    ("changed", "message"),
    [
        (
            {"holidays": {"country": "DE", "each": {"Karfreitg": []}}},
            MISSPELT,
        ),
        ({"calendar": {"closed": [" "]}}, "There is an empty word."),
        ({"holidays": {"country": "DE", "language": "fr"}}, "The holidays of DE have no names in 'fr'."),
        (
            {"exception": [{"weekday": "thu"}]},
            "The exception changes nothing. Write open, silent, trim_db or",
        ),
        ({"exception": [{"weekday": "thu", "trim_db": 3}]}, "<= 0.0"),
        ({"exception": [{"weekday": "thu", "silent": ["x"]}]}, "'x' is not a span of a day."),
        ({"exception": [QUIET, QUIET]}, "2 exceptions, and neither is narrower. Keep one, or name fewer days in one."),
    ],
)
def test_special_days_that_cannot_be_meant_are_refused(changed: dict[str, object], message: str) -> None:
    with pytest.raises(msgspec.ValidationError) as caught:
        msgspec.convert(RAW | changed, Hours)
    assert message in str(caught.value)


def test_all_terms_that_days_can_have_are_known_to_the_plan() -> None:
    """Every opening of 28 years, in which every date falls on every day of the week, is on one of them."""
    advent: dict[str, object] = {"every_year": "12-20 to 12-24", "trim_db": -12}
    once: dict[str, object] = {"date": "2061-12-01", "until": "2061-12-02", "performances": ["third-batch"]}
    hours = msgspec.convert(RAW | {"exception": [QUIET, LATE, advent, once]}, Hours)
    known = set(terms_of(hours.exception))
    assert {one.terms for one in calendar(hours).openings(date(2024, 1, 1), 28 * 366)} - known == {EventTerms()}
    assert known == {
        EventTerms(-9.0),
        EventTerms(-9.0, ("second-batch",)),
        EventTerms(-12.0),
        EventTerms(0.0, ("third-batch",)),
        EventTerms(-9.0, ("third-batch",)),
    }
