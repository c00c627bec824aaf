from __future__ import annotations

from collections import Counter
from datetime import UTC, date, datetime, timedelta
from math import log10

import msgspec
import numpy as np
import pytest

from residue.runtime.rehearsal.rehearsal import PlannedSound, data, rehearse, words
from residue.runtime.rehearsal.simulation import Incident, Simulation
from residue.schedule import agenda
from residue.schedule.hours import Hours, calendar

HOURS = {
    "time_zone": "Europe/Berlin",
    "weekly": {"tue": ["10:00-18:00"], "thu": ["10:00-12:30", "13:00-22:00"], "sat": ["22:00-04:00"]},
    "exception": [{"date": "2026-04-02", "open": []}],
    "programme": {"performances": ["first-batch", "second-batch"], "rest_s": 240},
}
SOUNDS = {"first-batch": PlannedSound(300.0), "second-batch": PlannedSound(421.5)}
FIRST, LAST = date(2026, 3, 1), date(2026, 5, 29)


def hours(**changed: object) -> Hours:
    return msgspec.convert(HOURS | changed, Hours)


def programme(**choices: object) -> dict[str, object]:
    return {"performances": ["first-batch", "second-batch"], "rest_s": 240, **choices}


def test_ninety_days_are_open_as_long_as_the_calendar_says() -> None:
    """By hand: 13 Tuesdays of 8 h, 12 of 13 Thursdays of 11.5 h, 12 nights of 6 h less the hour of 29 March."""
    found = rehearse(calendar(hours()), hours().programme, SOUNDS, FIRST, LAST)
    assert len(found.days) == 90
    assert found.open_h == 13 * 8 + 12 * 11.5 + 12 * 6 - 1
    assert found.clock_changes == ["Sun 29 Mar 2026: the day has 23 hours."]
    assert found.warnings == []


@pytest.mark.parametrize(
    "choices",
    [
        {},
        {"order": "shuffled"},
        {"share": {"second-batch": 3}},
        {"starts": "full hour"},
        {"starts": ["10:15", "15:00", "23:30", "02:30"]},
        {"at_closing": "whole"},
        {"at_closing": "finish"},
        {"first_silence_s": 600},
        {"weekday": {"sat": ["second-batch"]}},
    ],
    ids=str,
)
def test_the_house_plays_what_the_agenda_foretold(choices: dict[str, object]) -> None:
    """The agenda counts on paper; the rehearsal runs the state machine."""
    asked = hours(programme=programme(**choices))
    openings = calendar(asked)
    durations_s = {name: sound.duration_s for name, sound in SOUNDS.items()}
    foretold = Counter(
        play.performance
        for opening in openings.openings(FIRST, 36)
        for play in agenda.plays(opening, asked.programme, durations_s, asked.zone)
        if (play.ends - play.begins).total_seconds() > 10  # the house begins nothing that closing would cut at once
    )
    assert rehearse(openings, asked.programme, SOUNDS, FIRST, date(2026, 4, 5)).plays == foretold


@pytest.mark.parametrize("level_db", [60.0, 85.0])
def test_the_exposure_of_a_day_is_that_of_the_standard(level_db: float) -> None:
    """A steady level over T gives L + 10 lg(T / 8 h) (ISO 9612:2009, equation 1): 10 h without a rest."""
    mean_square = 10 ** (level_db / 10)
    steady = PlannedSound(360.0, np.full(3600, mean_square * 0.1))
    asked = hours(
        weekly={"tue": ["10:00-20:00"]}, programme={"performances": ["first-batch"], "rest_s": 0}, exception=[]
    )
    [day] = rehearse(calendar(asked), asked.programme, {"first-batch": steady}, date(2026, 3, 3), date(2026, 3, 3)).days
    assert day.exposure_db == pytest.approx(level_db + 10 * log10(10 / 8), abs=0.06)


@pytest.mark.parametrize("seed", range(12))
def test_whatever_befalls_it_nothing_sounds_outside_the_hours_for_more_than_a_second(seed: int) -> None:
    at_closing = ["fade", "whole"][seed % 2]
    asked = hours(programme=programme(at_closing=at_closing))
    found = rehearse(calendar(asked), asked.programme, SOUNDS, FIRST, date(2026, 3, 31), seed)
    assert found.faults
    assert found.longest_outside_s <= 1.0
    assert found.warnings == []


def test_the_same_seed_befalls_the_house_in_the_same_way() -> None:
    one, other, another = (
        rehearse(calendar(hours()), hours().programme, SOUNDS, FIRST, date(2026, 3, 31), seed) for seed in (7, 7, 8)
    )
    assert one == other
    assert one.faults != another.faults


def test_undisturbed_the_longest_silence_is_the_rest() -> None:
    found = rehearse(calendar(hours()), hours().programme, SOUNDS, FIRST, LAST)
    assert 240 <= found.longest_silence_s <= 240.1 + 5.0


@pytest.mark.parametrize(
    ("changed", "warning"),
    [
        ({"weekly": {}}, "The house is not open on any of these days."),
        (
            {"programme": programme(performances=["first-batch"])},
            "second-batch is never played.",
        ),
        (
            {"weekly": {"tue": ["10:00-10:06"]}},
            "second-batch is never played.",
        ),
        (
            {"weekly": {"tue": ["10:00-10:03"]}, "programme": programme(at_closing="whole")},
            "On Tue 03 Mar 2026 it is open, but nothing is played.",
        ),
        ({"weekly": {"tue": ["10:00-10:03"]}}, "first-batch never comes to its end."),
    ],
)
def test_what_somebody_should_look_at_is_said(changed: dict[str, object], warning: str) -> None:
    asked = hours(**changed)
    found = rehearse(calendar(asked), asked.programme, SOUNDS, FIRST, date(2026, 3, 31))
    assert warning in found.warnings
    assert f"Needs attention: {warning}" in words(found)


def test_programs_get_plain_values() -> None:
    found = rehearse(calendar(hours()), hours().programme, SOUNDS, FIRST, date(2026, 3, 3))
    decoded = msgspec.json.decode(msgspec.json.encode(data(found)))
    assert decoded["days"][2] == {"date": "2026-03-03", "open_h": 8.0, "plays": 48, "exposure_db": None}
    assert decoded["plays"] == {"first-batch": 24, "second-batch": 24}


def test_an_engine_that_hangs_is_rebuilt_within_seconds_and_what_it_played_is_left_out_for_an_hour() -> None:
    durations_s = {name: sound.duration_s for name, sound in SOUNDS.items()}
    opens = datetime(2026, 3, 3, 9, 0, tzinfo=UTC)
    hang = Incident(100.0, "The engine hangs.", lambda house: house.engine.hang())
    house = Simulation(calendar(hours()), hours().programme, durations_s, opens, [hang])
    house.run(2.0 * 3600.0)
    [remedy] = [(at - opens, what) for at, kind, what in house.log if kind == "watchdog"]
    assert remedy[0] < timedelta(seconds=105)
    assert remedy[1] == "The engine writes nothing. Remedy: rebuild the engine."
    first, *others = house.engine.heard
    assert (first.performance, round(first.to_s)) == ("first-batch", 100)
    within_the_hour = {one.performance for one in others if one.begins - opens < timedelta(seconds=3700)}
    assert within_the_hour == {"second-batch"}
    assert "first-batch" in {one.performance for one in others}


def test_the_page_has_a_line_for_each_week() -> None:
    found = rehearse(calendar(hours()), hours().programme, SOUNDS, date(2026, 3, 3), date(2026, 3, 12))
    assert [line for line in words(found) if line.startswith("Week of")] == [
        "Week of 02 Mar 2026: open for  25.5 h,  154 plays.",
        "Week of 09 Mar 2026: open for  19.5 h,  118 plays.",
    ]
