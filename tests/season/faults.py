"""What befalls a house in a season: at least one fault for every row of the watchdog's table, and what people do.

Each fault begins at a moment, may last a while by itself (nobody can play through a cable that is out), and then has
to be over within its bound.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from residue.runtime.house.exchange import Hold, Next, Release
from residue.watchdog.checks import Remedy
from residue.watchdog.watch import TOLD_AGAIN_S
from tests.season.folder import LIMIT_DBFS
from tests.season.hostile import BAGS, CALENDARS, ROOMS
from tests.season.playing import Hang

if TYPE_CHECKING:
    from tests.season.season import Season

TELLS_S = 20.0
"""By then the event log tells of a file that is refused, or taken."""


@dataclass(frozen=True, slots=True)
class Fault:
    """One way of failing.

    befall: does it, and gives how long it lasts by itself, in s. bound_s: of time in which the house is not in order
    after that. row: of the watchdog's table. cured: whether the cause is gone, where that is not seen at once.
    """

    kind: str
    row: str | None
    bound_s: float
    befall: Callable[[Season, random.Random], float]
    cured: Callable[[Season], bool] = lambda _season: True


def _hang(hang: Hang) -> Callable[[Season, random.Random], float]:
    def befall(season: Season, _chance: random.Random) -> float:
        season.process.playing.hangs = hang
        return 0.0

    return befall


def _late(season: Season, chance: random.Random) -> float:
    season.process.playing.late_blocks += chance.randint(1, 5)
    return 0.0


def _lost(season: Season, chance: random.Random) -> float:
    lasts_s = chance.randint(1, 100)
    season.device.absent = True
    season.later(lasts_s, lambda: setattr(season.device, "absent", False))
    return lasts_s


def _wrong(season: Season, chance: random.Random) -> float:
    lasts_s = chance.randint(1, 100)
    season.device.too_few_channels = True
    season.later(lasts_s, lambda: setattr(season.device, "too_few_channels", False))
    return lasts_s


def _off_pace(season: Season, _chance: random.Random) -> float:
    season.device.pace = 0.919
    return 0.0


def _silent(season: Season, chance: random.Random) -> float:
    season.process.playing.gives_nothing = True
    season.helps = chance.choice([Remedy.REOPEN, Remedy.SKIP, Remedy.RESTART])
    return 0.0


def _sounding(season: Season, _chance: random.Random) -> float:
    """A person wants silence, and the engine does not obey."""
    season.process.playing.ignores_fades = True
    return _held(season, _chance)


def _direct(season: Season, chance: random.Random) -> float:
    season.process.playing.direct = True
    season.helps = chance.choice([Remedy.SKIP, Remedy.RESTART])
    return 0.0


def _stuck(season: Season, _chance: random.Random) -> float:
    season.process.playing.stuck = True
    return 0.0


def _start_hangs(season: Season, chance: random.Random) -> float:
    """A person goes on to the next performance, and the disk does not answer."""
    season.process.playing.start_hangs = True
    return _next(season, chance)


def _not_finite(season: Season, _chance: random.Random) -> float:
    season.process.playing.not_finite = True
    return 0.0


def _raises(season: Season, _chance: random.Random) -> float:
    season.process.playing.fail("A node failed.")
    return 0.0


def _broken(season: Season, chance: random.Random) -> float:
    """A bag is damaged; somebody brings it again within hours."""
    name = chance.choice(sorted(season.outcome.gain_db))
    if len(season.outcome.gain_db) > 1:
        season.take_out(name, "Its bag is broken.")
        season.later(chance.randint(600, 20_000), lambda: season.put_back(name))
    return 0.0


def _unplanned(season: Season, chance: random.Random) -> float:
    season.process.planning_trouble = "The planner ended with status 1."
    season.later(chance.randint(30, 600), lambda: setattr(season.process, "planning_trouble", None))
    return 0.0


def _too_loud(season: Season, chance: random.Random) -> float:
    season.process.playing.too_loud = chance.uniform(1.2, 8.0)
    return 0.0


def _log(season: Season, chance: random.Random) -> float:
    season.stop_writing("database or disk is full")
    season.later(chance.randint(30, 3_600), season.go_on_writing)
    return 0.0


def _disk(season: Season, _chance: random.Random) -> float:
    season.process.machine = replace(season.process.machine, disk_free_share=0.01)
    return 0.0


def _memory(season: Season, _chance: random.Random) -> float:
    season.process.machine = replace(season.process.machine, memory_bytes=1_600_000_000)
    return 0.0


def _heat(season: Season, chance: random.Random) -> float:
    season.process.machine = replace(season.process.machine, temperature_c=91.0)
    season.later(chance.randint(60, 3_600), lambda: season.change_machine(temperature_c=50.0))
    return 0.0


def _throttled(season: Season, _chance: random.Random) -> float:
    season.change_machine(throttled=season.process.machine.throttled + 1)
    return 0.0


def _no_time_service(season: Season, chance: random.Random) -> float:
    season.time_service = False
    season.later(chance.randint(60, 7_200), lambda: setattr(season, "time_service", True))
    return 0.0


def _slow_disk(season: Season, chance: random.Random) -> float:
    if season.process.log_trouble is None:
        # Where one that is just over was told, the next is told only so long after it.
        season.must_tell("watchdog: log: The log cannot be written", TOLD_AGAIN_S + TELLS_S)
    season.slow_down(chance.uniform(3.0, 8.0))
    season.later(chance.randint(60, 600), lambda: season.slow_down(0.0))
    return 0.0


def _flipped_bit(season: Season, chance: random.Random) -> float:
    """It is found when the program is started again."""
    season.disk.flip(chance)
    season.kill(chance)
    return 0.0


def _calendar(season: Season, chance: random.Random) -> float:
    season.folder.spoil_calendar(chance.choice(sorted(CALENDARS)))
    season.must_tell("hours: The new hours are refused", TELLS_S)
    season.later(chance.randint(60, 1_200), season.folder.mend_calendar)
    return 0.0


def _bag(season: Season, chance: random.Random) -> float:
    dropped = season.folder.drop(chance.choice(sorted(BAGS)))
    if dropped is not None:
        season.must_tell(f"swap: {dropped.name} in the place of", 60.0 + TELLS_S)
        season.later(chance.randint(120, 1_200), lambda: season.folder.take_away(dropped))
    return 0.0


def _room_spoilt(season: Season, chance: random.Random) -> float:
    """Somebody edits room.toml, and makes a mistake in it, or wants it louder."""
    if season.folder.room_is_good and not season.awaited:
        if chance.random() < 0.3:
            season.folder.raise_limit(chance.uniform(1.0, 6.0))
        else:
            season.folder.spoil_room(chance.choice(sorted(ROOMS)))
        season.must_tell("files: room.toml", TELLS_S)
        season.later(chance.randint(60, 1_200), season.folder.mend_room)
    return 0.0


def _room_stricter(season: Season, chance: random.Random) -> float:
    """After a complaint; the next morning somebody writes the old limit, and starts the program by hand."""
    if season.folder.room_is_good and not season.awaited and season.folder.wanted_dbfs == LIMIT_DBFS:
        season.folder.wanted_dbfs = LIMIT_DBFS - chance.uniform(1.0, 3.0)
        season.folder.mend_room()
        season.must_tell("limits: Stricter limits of room.toml are in force", TELLS_S)
        season.later(season.until_morning_s(), lambda: _start_by_hand(season))
    return 0.0


def _start_by_hand(season: Season) -> None:
    if season.restart(by_person=True):
        season.folder.wanted_dbfs = LIMIT_DBFS
        season.folder.mend_room()
    else:  # there is no power
        season.later(600, lambda: _start_by_hand(season))


def _flood(season: Season, chance: random.Random) -> float:
    for second in range(chance.randint(2, 30)):
        season.later(second, lambda: setattr(season.process, "too_often", season.process.too_often + 4_000))
    return 0.0


def _power(season: Season, chance: random.Random) -> float:
    off_s = chance.randint(20, 120)
    season.cut_power(off_s, chance)
    return off_s


def _killed(season: Season, chance: random.Random) -> float:
    season.kill(chance)
    return 0.0


def _clock_set(season: Season, chance: random.Random) -> float:
    """By hand or by a server: closings and openings come when the clock says so; people may set it back."""
    off_s = season.clock.off_s
    season.clock.off_s = off_s + chance.choice([-7_200, -60, -3, 3, 60, 7_200])
    season.later(chance.randint(60, 1_200), lambda: season.befall(SET_RIGHT))
    return 0.0


def _set_right(season: Season, _chance: random.Random) -> float:
    season.clock.off_s = 0.0
    return 0.0


def _held(season: Season, chance: random.Random) -> float:
    season.tell(Hold("the front desk"))
    season.later(chance.randint(5, 1_200), lambda: season.befall(RELEASE))
    return 0.0


def _released(season: Season, _chance: random.Random) -> float:
    season.tell(Release("the front desk"))
    return 0.0


def _next(season: Season, _chance: random.Random) -> float:
    season.tell(Next("the front desk"))
    return 0.0


RELEASE = Fault("a person releases", None, 20.0, _released)
"""Follows each hold."""
SET_RIGHT = Fault("clock set right", None, 20.0, _set_right)
"""Follows each wrong clock."""

START_HANGS = Fault(
    "a start hangs", "start hangs", 90.0, _start_hangs, lambda season: not season.process.playing.start_hangs
)
"""Not among those of every day: it takes a minute until a disk that does not answer is told from a slow one."""

FAULTS: Sequence[Fault] = (
    Fault("a node hangs", "engine stalls", 8.0, _hang(Hang.GRAPH)),
    Fault("the cap stage hangs", "engine stalls", 25.0, _hang(Hang.STAGE)),
    Fault("the engine raises", "engine stalls", 8.0, _hang(Hang.DEAD)),
    Fault("late blocks", "late blocks", 1.0, _late),
    Fault("device unplugged", "device lost", 8.0, _lost),
    Fault("too few channels", "device wrong", 8.0, _wrong),
    Fault("device off its pace", "device wrong", 60.0, _off_pace),
    Fault("nothing comes out", "silent", 60.0, _silent, lambda season: not season.process.playing.gives_nothing),
    Fault("sounds though held", "sounding", 30.0, _sounding, lambda season: not season.process.playing.ignores_fades),
    Fault("direct current", "direct current", 40.0, _direct, lambda season: not season.process.playing.direct),
    Fault("stuck value", "stuck value", 20.0, _stuck, lambda season: not season.process.playing.stuck),
    Fault("no numbers", "no numbers", 8.0, _not_finite, lambda season: not season.process.playing.not_finite),
    Fault("a node raises", "graph failed", 8.0, _raises),
    Fault("a bag breaks", "performance broken", 8.0, _broken),
    Fault("the planner fails", "no plan", 1.0, _unplanned),
    Fault("louder than planned", "above plan", 1.0, _too_loud),
    Fault("disk takes nothing", "log", 1.0, _log),
    Fault("disk nearly full", "disk", 1.0, _disk),
    Fault("memory grows", "memory", 25.0, _memory, lambda season: season.process.machine.memory_bytes < 1_000_000_000),
    Fault("heat", "heat", 1.0, _heat),
    Fault("throttling", "throttling", 1.0, _throttled),
    Fault("no time service", "clock", 1.0, _no_time_service),
    Fault("flood", "control port", 1.0, _flood),
    Fault("power cut", None, 25.0, _power),
    Fault("killed", None, 25.0, _killed),
    Fault("clock set", None, 25.0, _clock_set),
    Fault("slow disk", None, 12.0, _slow_disk),
    Fault("a bit flips in a state file", None, 25.0, _flipped_bit),
    Fault("hostile calendar", None, 1.0, _calendar),
    Fault("hostile bag", None, 1.0, _bag),
    Fault("mistake in room.toml", None, 1.0, _room_spoilt),
    Fault("stricter cap in room.toml", None, 1.0, _room_stricter),
    Fault("a person holds", None, 8.0, _held),
    Fault("a person goes on", None, 8.0, _next),
)
