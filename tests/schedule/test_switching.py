from __future__ import annotations

import asyncio
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest

from residue.schedule.calendar import PagedCalendar
from residue.schedule.opening import Opening
from residue.schedule.switching import AGAIN_AFTER_S, Switchboard, SwitchError, is_wanted

OPENS, CLOSES = datetime(2026, 3, 3, 10, tzinfo=UTC), datetime(2026, 3, 3, 18, tzinfo=UTC)
CALENDAR = PagedCalendar(ZoneInfo("UTC"), lambda _first, _days: [Opening(OPENS, CLOSES, "weekly hours")])


@dataclass
class Lamp:
    name: str
    on_before_s: float = 0.0
    off_after_s: float = 0.0
    timeout_s: float = 0.02
    tries: int = 2
    if_it_fails: str = "go on"
    fails: int = 0
    hangs: bool = False
    told: list[str] = field(default_factory=list)

    async def switch(self, *, on: bool) -> None:
        self.told.append(f"{self.name} {'on' if on else 'off'}")
        if self.hangs:
            await asyncio.sleep(60)
        if self.fails > 0:
            self.fails -= 1
            raise SwitchError("The fuse is blown.")


def log_of(lamps: Sequence[Lamp], *moments: tuple[datetime, float]) -> list[str]:
    happened: list[str] = []
    board = Switchboard(lamps, lambda kind, text: happened.append(f"{kind}: {text}"))

    async def go_through() -> None:
        for now, monotonic_s in moments:
            await board.settle(CALENDAR, now, monotonic_s)

    asyncio.run(go_through())
    return happened


NOON, NIGHT = (OPENS + timedelta(hours=2), 100.0), (CLOSES + timedelta(hours=2), 50_000.0)


@pytest.mark.parametrize(
    ("from_opening_s", "wanted"),
    [(-601, False), (-600, True), (0, True), (8 * 3600, True), (8 * 3600 + 299, True), (8 * 3600 + 300, False)],
)
def test_it_is_on_from_its_time_before_the_opening_until_its_time_after_closing(
    *, from_opening_s: float, wanted: bool
) -> None:
    lamp = Lamp("projector", on_before_s=600, off_after_s=300)
    assert is_wanted(lamp, CALENDAR, OPENS + timedelta(seconds=from_opening_s)) is wanted


def test_amplifiers_come_on_last_and_go_off_first() -> None:
    lamps = [Lamp("projector"), Lamp("computer"), Lamp("amplifiers")]
    assert log_of(lamps, NOON, NOON, NIGHT) == [
        "switched: projector is on.",
        "switched: computer is on.",
        "switched: amplifiers is on.",
        "switched: amplifiers is off.",
        "switched: computer is off.",
        "switched: projector is off.",
    ]


def test_it_is_tried_again_at_once_and_then_after_a_minute() -> None:
    lamp = Lamp("projector", fails=3)
    log = log_of([lamp], NOON, (NOON[0], NOON[1] + 1), (NOON[0], NOON[1] + AGAIN_AFTER_S))
    assert log == [
        "not switched: projector could not be switched on in 2 tries. The fuse is blown.",
        "switched: projector is on.",
    ]
    assert lamp.told == ["projector on"] * 4


def test_what_does_not_answer_is_given_up_and_the_rest_goes_on() -> None:
    lamps = [Lamp("projector", hangs=True), Lamp("amplifiers")]
    assert log_of(lamps, NOON) == [
        "not switched: projector could not be switched on in 2 tries. It did not answer within 0.02 s.",
        "switched: amplifiers is on.",
    ]


@dataclass
class Odd(Lamp):
    async def switch(self, *, on: bool) -> None:
        raise UnicodeError("label empty or too long")  # as a name lookup does for 'projector..local'


def test_whatever_one_raises_the_others_are_still_switched() -> None:
    assert log_of([Odd("projector"), Lamp("amplifiers")], NOON) == [
        "not switched: projector could not be switched on in 2 tries. label empty or too long",
        "switched: amplifiers is on.",
    ]


def test_what_comes_after_it_can_be_left_off() -> None:
    lamps = [Lamp("fire damper", fails=9, if_it_fails="stop here"), Lamp("amplifiers")]
    log_of(lamps, NOON)
    assert lamps[1].told == []


def test_at_a_start_in_the_night_everything_is_switched_off_once() -> None:
    lamp = Lamp("projector")
    log_of([lamp], NIGHT, NIGHT)
    assert lamp.told == ["projector off"]
