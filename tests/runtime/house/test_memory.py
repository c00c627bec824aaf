from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import msgspec
import pytest

from residue.runtime.house.exchange import EngineView, Start, Tick, World
from residue.runtime.house.house import House, State, step
from residue.runtime.house.memory import Memory, memory, recalled
from residue.schedule.opening import Opening
from residue.schedule.programme import Programme

NOON = datetime(2026, 3, 3, 12, tzinfo=UTC)
TODAY = Opening(NOON - timedelta(hours=2), NOON + timedelta(hours=6), "weekly hours")
TOMORROW = Opening(NOON + timedelta(hours=22), NOON + timedelta(hours=30), "weekly hours")
NAMES = ("first-batch", "second-batch")
PLAYING = House(state=State.PLAYING, opening=TODAY, index=3, under_way=True, turn=9, trim_db=-3.0)
ENGINE = EngineView(turn=9, sounding=True, playhead_s=81.5)


def after_a_power_cut(programme: Programme, house: House, now: datetime, opening: Opening | None) -> list[Start]:
    """What is started first once the machine is back, the memory having been on disk as JSON."""
    written = msgspec.json.encode(memory(house, ENGINE, 0.0))
    back = recalled(msgspec.json.decode(written, type=Memory), programme, 0.0)
    world = World(now, 5.0, opening, EngineView(ready=frozenset(NAMES), trim_db=back.trim_db), ZoneInfo("UTC"))
    _, actions = step(back, Tick(), world, programme)
    return [action for action in actions if isinstance(action, Start)]


@pytest.mark.parametrize(
    ("after_interruption", "start"),
    [
        ("resume", Start(1, "second-batch", 81.5)),
        ("restart", Start(1, "second-batch", 0.0, in_order=False)),
        ("next", Start(1, "first-batch", 0.0, in_order=False)),
    ],
)
def test_after_a_power_cut_it_goes_on_as_the_curator_chose(after_interruption: str, start: Start) -> None:
    raw = {"performances": NAMES, "after_interruption": after_interruption}
    programme = msgspec.convert(raw, Programme)
    assert after_a_power_cut(programme, PLAYING, NOON + timedelta(minutes=4), TODAY) == [start]


def test_a_power_cut_over_night_begins_the_programme_anew() -> None:
    programme = Programme(performances=NAMES)
    at_opening = TOMORROW.opens + timedelta(seconds=1)
    assert after_a_power_cut(programme, PLAYING, at_opening, TOMORROW) == [Start(1, "first-batch", 0.0)]


def test_a_hold_outlives_a_power_cut() -> None:
    programme = Programme(performances=NAMES)
    held = replace(PLAYING, state=State.HELD, under_way=False, from_s=81.5, held_by="the front desk")
    assert after_a_power_cut(programme, held, NOON, TODAY) == []
    back = recalled(memory(held, ENGINE, 0.0), programme, 0.0)
    assert (back.held_by, back.from_s, back.trim_db) == ("the front desk", 81.5, -3.0)
