from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st

from residue.schedule import agenda
from residue.schedule.beside import calendar_of
from residue.schedule.hours import Hours, calendar
from residue.schedule.spans import instant, local
from residue.schedule.tour import tour_key, zone_at, zone_called

NEAR, FAR = ("Europe/Berlin", "Europe/Lisbon"), ("America/New_York", "Asia/Tokyo", "Australia/Lord_Howe")
ZONES = (*NEAR, *FAR, "Pacific/Kiritimati")
"""From 5 h behind to 14 h ahead of UTC, with changes of the clock and without (IANA database)."""
LEGS = (date(2027, 3, 1), date(2027, 3, 28), date(2027, 10, 31))
"""The second and third on days on which European clocks change."""


@given(
    st.tuples(*(st.sampled_from(ZONES) for _ in range(4))),
    st.integers(0, 303 * 24 * 60),
)
def test_a_tour_reads_the_clock_of_each_leg(names: tuple[str, str, str, str], minutes: int) -> None:
    """Against the zones of the legs themselves; the change comes at the midnight that ends the leg before."""
    first, *others = names
    tour = zone_called(tour_key(first, list(zip(LEGS, others, strict=True))))
    moment = datetime(2027, 2, 1, tzinfo=UTC) + timedelta(minutes=minutes)
    here = ZoneInfo(first)
    for day, name in zip(LEGS, others, strict=True):
        if moment >= datetime.combine(day, datetime.min.time(), here).astimezone(UTC):
            here = ZoneInfo(name)
        else:
            break
    assert zone_at(tour, moment).key == here.key
    there = moment.astimezone(tour)
    assert there.replace(tzinfo=None) == moment.astimezone(here).replace(tzinfo=None)
    assert there.astimezone(UTC) == moment
    assert local(moment, tour) == moment


@given(
    st.sampled_from(ZONES),
    st.sampled_from(ZONES),
    st.integers(-20, 20).filter(lambda n: n not in (-1, 0)),
    st.integers(0, 24 * 60),
)
def test_the_days_of_a_leg_are_those_of_its_zone(first: str, second: str, day: int, minutes: int) -> None:
    tour = zone_called(tour_key(first, [(LEGS[0], second)]))
    on = LEGS[0] + timedelta(days=day)
    assert instant(on, minutes, tour) == instant(on, minutes, ZoneInfo(first if day < 0 else second))


TOUR = {
    "time_zone": "Europe/Berlin",
    "weekly": {"sun": ["10:00-18:00"], "mon": ["10:00-18:00"]},
    "leg": [{"from": "2027-03-01", "time_zone": "Europe/Lisbon"}, {"from": "2027-06-01", "time_zone": "Asia/Tokyo"}],
    "programme": {"performances": ["first-batch"]},
}


def test_a_house_on_tour_opens_by_the_clock_of_each_place() -> None:
    """Berlin is at UTC+1 in February, Lisbon at UTC in March, Tokyo at UTC+9 (IANA database)."""
    answers = calendar(msgspec.convert(TOUR, Hours))

    def told(first: str, days: int) -> list[str]:
        return [one.opens.isoformat() for one in answers.openings(date.fromisoformat(first), days)]

    assert told("2027-02-28", 2) == ["2027-02-28T10:00:00+01:00", "2027-03-01T10:00:00+00:00"]
    assert told("2027-06-06", 1) == ["2027-06-06T10:00:00+09:00"]
    assert agenda.data(answers, date(2027, 6, 6), 1)["time_zone"] == "Asia/Tokyo"
    assert agenda.clock_words(msgspec.convert(TOUR, Hours)).startswith(
        "Times are those of Europe/Berlin, from 01 Mar 2027 on of Europe/Lisbon, from 01 Jun 2027 on of Asia/Tokyo."
    )


def test_events_that_name_no_zone_are_meant_by_the_clock_of_each_place(tmp_path: Path) -> None:
    """RFC 5545, 3.3.5, form 1: a floating time is the same on the clock wherever it is read."""
    parts = ["BEGIN:VCALENDAR", "VERSION:2.0", "PRODID:-//bakery//EN"]
    for day in ("20270225", "20270302", "20270602"):
        parts += ["BEGIN:VEVENT", f"UID:{day}", "DTSTAMP:20260101T000000Z", f"DTSTART:{day}T100000"]
        parts += [f"DTEND:{day}T120000", "SUMMARY:Open", "END:VEVENT"]
    (tmp_path / "hours.ics").write_bytes("\r\n".join([*parts, "END:VCALENDAR", ""]).encode())
    raw = {key: value for key, value in TOUR.items() if key != "weekly"}
    answers = calendar_of(tmp_path, msgspec.convert(raw, Hours)).calendar
    assert [one.opens.isoformat() for one in answers.openings(date(2027, 2, 20), 110)] == [
        "2027-02-25T10:00:00+01:00",
        "2027-03-02T10:00:00+00:00",
        "2027-06-02T10:00:00+09:00",
    ]


def test_a_leg_has_the_public_holidays_of_its_place() -> None:
    """25 April is Freedom Day in Portugal; 2027-05-27 is Corpus Christi, a holiday there and not in Berlin."""
    legs = [
        {
            "from": "2027-04-01",
            "time_zone": "Europe/Lisbon",
            "holidays": {"country": "PT", "language": "en_US", "open": ["12:00-13:00"]},
        }
    ]
    weekly = {"sun": ["10:00-18:00"], "mon": ["10:00-18:00"]}
    answers = calendar(msgspec.convert(TOUR | {"leg": legs, "weekly": weekly, "holidays": {"country": "DE"}}, Hours))
    [opening] = answers.openings(date(2027, 4, 25), 1)
    assert (opening.why, f"{opening.opens:%H:%M}") == ("Freedom Day", "12:00")
    assert answers.openings(date(2027, 3, 29), 1) == []  # Easter Monday, in Germany


@pytest.mark.parametrize(
    ("leg", "message"),
    [
        ([{"from": "2027-03-01", "time_zone": "Europe/Lisboa"}], "leg[1].time_zone: 'Europe/Lisboa' is not a time"),
        (
            [{"from": "2027-03-01", "time_zone": "Asia/Tokyo"}, {"from": "2027-03-01", "time_zone": "Europe/Lisbon"}],
            "leg: 2 legs begin on 2027-03-01. Keep one for each date.",
        ),
    ],
)
def test_a_tour_that_cannot_be_meant_is_refused(leg: list[dict[str, object]], message: str) -> None:
    with pytest.raises(msgspec.ValidationError) as caught:
        msgspec.convert(TOUR | {"leg": leg}, Hours)
    assert message in str(caught.value)
