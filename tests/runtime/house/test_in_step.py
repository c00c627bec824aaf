from __future__ import annotations

from dataclasses import dataclass, field, replace
from datetime import timedelta
from zoneinfo import ZoneInfo

import pytest

from residue.runtime.house.exchange import FadeOut, Hold, Log, Next, Release, Start, World
from residue.runtime.house.house import State, step
from residue.schedule.calendar import PagedCalendar
from residue.schedule.opening import Opening
from residue.schedule.programme import Programme
from residue.schedule.timetable import AHEAD_S, kept_timetable
from tests.runtime.house.test_house import BEGIN, DURATION_S, PROGRAMME, Gallery, opening

UTC = ZoneInfo("UTC")
OPENING = opening(0.0, 600.0)


@dataclass
class InStep(Gallery):
    """A house in step, with the instants at which it asked for turns."""

    known_s: dict[str, float] = field(default_factory=lambda: dict(DURATION_S))

    def __post_init__(self) -> None:
        self.hours = PagedCalendar(UTC, lambda _first, _days: self.openings)
        self._timetable = kept_timetable()
        self.begun: list[tuple[float, Start]] = []

    def hear(self, event: object) -> None:
        by_the_hours = self.hours.opening_at(self.now)
        due = self._timetable(self.hours, by_the_hours, self.programme, self.known_s, self.now)
        here, entries = (by_the_hours, None) if due is None else (due.opening, due.entries)
        world = World(self.now, self.monotonic_s, here, self.engine.view, UTC, timetable=entries)
        before = self.engine.view.turn
        self.house, actions = step(self.house, event, world, self.programme)  # type: ignore[arg-type]
        self.engine.act(actions)
        self.actions += actions
        self.log += [action for action in actions if isinstance(action, Log)]
        starts = [action for action in actions if isinstance(action, Start)]
        if self.engine.view.turn != before:
            self.begun.append(((self.now - BEGIN).total_seconds(), starts[0]))
            if (begins := starts[0].begins) is not None:  # a turn that waits for its instant
                late_s = (self.now - begins).total_seconds()
                self.engine.view = replace(self.engine.view, playhead_s=late_s)


def house(from_s: float = 0.0, programme: Programme = PROGRAMME) -> InStep:
    return InStep([OPENING], programme, now=BEGIN + timedelta(seconds=from_s))


def instants(one: InStep) -> list[tuple[str, float]]:
    return [
        (start.performance, (start.begins - BEGIN).total_seconds())
        for _, start in one.begun
        if start.begins is not None
    ]


def test_turns_are_asked_for_shortly_before_the_instants_of_the_timetable() -> None:
    early = house(-30.0)
    early.wait(200.0)
    assert instants(early)[:4] == [
        ("first-batch", 0.0),
        ("second-batch", 17.0),
        ("third-batch", 42.0),
        ("first-batch", 63.0),
    ]
    for asked_s, start in early.begun[1:]:
        assert start.begins is not None
        assert 0.0 <= (start.begins - BEGIN).total_seconds() - asked_s <= AHEAD_S


@pytest.mark.parametrize("late_s", [3.3, 20.0, 41.0, 100.1])
def test_one_that_comes_late_joins_what_the_others_play(late_s: float) -> None:
    early, late = house(-30.0), house(late_s)
    early.wait(330.0)
    late.wait(300.0 - late_s)
    assert instants(late) == [one for one in instants(early) if one in instants(late)]
    assert instants(late)[-3:] == instants(early)[-3:]
    first_s, start = late.begun[0]
    assert start.begins is not None
    assert start.from_s == pytest.approx(max(0.0, first_s - (start.begins - BEGIN).total_seconds()))


def test_a_hold_ends_where_the_others_are_by_then() -> None:
    held, other = house(), house()
    for one in (held, other):
        one.wait(45.0)
    held.hear(Hold("the director"))
    held.wait(70.0)
    held.hear(Release("the director"))
    other.wait(70.0)
    for one in (held, other):
        one.wait(100.0)
    assert instants(held)[-3:] == instants(other)[-3:]


def test_nothing_is_skipped_by_a_person() -> None:
    one, other = house(), house()
    for _ in range(3):
        one.wait(20.0)
        one.hear(Next("a visitor"))
        other.wait(20.0)
    assert instants(one) == instants(other)
    assert any("in step: nothing is skipped" in line.text for line in one.log)


def test_what_cannot_be_played_here_is_a_rest_and_the_next_begins_with_the_others() -> None:
    one, other = house(), house()
    one.engine.view = replace(one.engine.view, unplayable={"second-batch": "Its bag is broken."})
    for each in (one, other):
        each.wait(200.0)
    assert instants(one) == [entry for entry in instants(other) if entry[0] != "second-batch"]


def test_a_turn_that_ends_before_its_time_is_joined_again() -> None:
    """As after a fault: the engine lost it, and the others still play it."""
    one = house()
    one.wait(22.0)
    one.engine.view = replace(one.engine.view, sounding=False)
    one.wait(2.0)
    assert instants(one)[-2:] == [("second-batch", 17.0)] * 2
    assert one.begun[-1][1].from_s > 4.0


def test_after_a_step_of_the_clock_it_plays_what_is_due_then() -> None:
    one, other = house(), house()
    one.wait(50.0)
    one.now += timedelta(seconds=120.0)
    one.wait(100.0)
    other.wait(270.0)
    assert instants(one)[-3:] == instants(other)[-3:]


def test_without_the_lengths_it_plays_alone_and_falls_in_when_they_are_known() -> None:
    one, other = house(), house()
    one.known_s = {"first-batch": 12.0}
    one.wait(60.0)
    assert one.begun
    assert instants(one) == []
    one.known_s = dict(DURATION_S)
    one.wait(100.0)
    other.wait(160.0)
    assert instants(one)[-3:] == instants(other)[-3:]


def test_it_rests_until_closing_after_the_last() -> None:
    one = house(0.0, Programme(performances=("second-batch",), at_closing="whole", rest_s=200.0))
    one.wait(580.0)
    assert instants(one) == [("second-batch", 0.0), ("second-batch", 220.0), ("second-batch", 440.0)]
    assert (one.house.state, one.house.reason) == (State.RESTING, "until closing")


MIDNIGHT_S = 15 * 3600.0
"""After BEGIN."""
STAYS_OPEN = Opening(BEGIN - timedelta(hours=9), BEGIN + timedelta(days=3), "drawn")


def around_midnight(from_s: float) -> InStep:
    """The rounds of 63 s begin at the midnight before, so that the second batch sounds from 23:59:50 to 00:00:10."""
    return InStep([STAYS_OPEN], PROGRAMME, now=BEGIN + timedelta(seconds=MIDNIGHT_S + from_s))


def test_over_midnight_it_plays_to_its_end_what_is_under_way_and_then_begins_the_day() -> None:
    one = around_midnight(-30.0)
    one.wait(120.0)
    since = [(name, at_s - MIDNIGHT_S) for name, at_s in instants(one)]
    assert since[-5:-1] == [
        ("second-batch", -10.0),
        ("first-batch", 15.0),
        ("second-batch", 32.0),
        ("third-batch", 57.0),
    ]
    assert not [action for action in one.actions if type(action) is FadeOut]


@pytest.mark.parametrize("late_s", [-20.0, 3.0, 25.0])
def test_one_that_comes_late_over_midnight_joins_the_others(late_s: float) -> None:
    early, late = around_midnight(-60.0), around_midnight(late_s)
    early.wait(180.0)
    late.wait(120.0 - late_s)
    assert instants(late) == instants(early)[-len(instants(late)) :]
