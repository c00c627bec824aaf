"""A season in minutes: the real house, hours, memory, governor, sink and watchdog among simulated surroundings.

Time goes in whole seconds. While anything is going on every second is stepped; between, from one moment at which
anything can change to the next, which comes to the same (a test steps every second and compares). What must always
hold is checked at each step. Everything follows from a seed, so that what fails once fails again.
"""

from __future__ import annotations

import heapq
import random
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime, timedelta
from math import ceil, inf
from pathlib import Path
from typing import Any

from residue.runtime.engine.player import ALL_FAILED_S
from residue.runtime.house.exchange import Event
from residue.runtime.house.house_state import BEFORE_CLOSING_S, FADE_S, State
from residue.runtime.house.in_force import InForce
from residue.runtime.house.kept_files import load_in_force
from residue.runtime.planning.planning import Outcome
from residue.runtime.rehearsal.simulation import SimulatedClock
from residue.runtime.system.clock import Uptime
from residue.schedule.clock_trust import Witnesses
from residue.schedule.hours import Hours, calendar
from residue.schedule.opening import Opening
from residue.schedule.programme import Programme
from residue.schedule.tables import Weekly
from residue.watchdog.checks import Remedy
from residue.watchdog.watch import CALM_S, Due
from tests.season.account import Account, Case
from tests.season.caps import HOPS_A_SECOND, Ear
from tests.season.disk import Disk
from tests.season.faults import FAULTS, Fault
from tests.season.folder import LIMIT_DBFS, Folder
from tests.season.playing import DURATION_S, Device, Playing
from tests.season.process import Process

DAY = ("10:00-20:00",)
HOURS = Hours(  # as folder.py writes them into a calendar file
    time_zone="Europe/Berlin",
    weekly=Weekly(mon=DAY, tue=DAY, wed=DAY, thu=DAY, fri=(*DAY, "22:00-02:00"), sat=DAY, sun=DAY),
    programme=Programme(performances=tuple(DURATION_S), rest_s=90),
    when_clock_is_unsure="last known",
)
BEGINS = datetime(2026, 11, 2, 6, 0, tzinfo=UTC)
AGAIN_S = 1
"""RestartSec of the unit."""
BOOTS_S = 15
"""From power to the start of the program; it counts as without power here."""
STARTS_S = 2
"""From the beginning of the process to its first frame: 1.6 to 2.3 s measured on a computer that others used too."""
MEMORY_S = 5
SETTLES_S = 30
"""Every second is stepped for so long after anything happened to the house, and before anything befalls it: longer than
most checks look at a fault before they call it one."""
TURNS_S = 2
"""And for so long after it went on in its programme."""
MARKS_S = (12, 20, 30, 62, 75, 310, 320)
"""While anything is wrong, looks are taken so long after it, too: when remedies of the checks are due."""
FURTHEST_S = 3_600
REACTION_S = 6
"""By then the sound has gone after closing time or a hold came without warning."""
ALONE = 0.8
"""So many faults come alone, the others by twos and threes."""
MEAN_AT_ONCE = ALONE + (1.0 - ALONE) * 2.5
GRACE_S = 2
"""From what asks for sound to the sound: a tick, and one second of this simulation."""


@dataclass(order=True)
class _Later:
    at_s: float
    number: int
    befall: Callable[[], None] = field(compare=False)


class Season:
    """Days that follow each other, with so many faults a day, power cut at night.

    folder: for what is really written: the installation and its state folder.
    """

    def __init__(self, seed: int, faults_a_day: float, folder: Path, *, every_second: bool = False) -> None:
        self._chance = random.Random(seed)
        self._faults_a_day = faults_a_day
        self._every_second = every_second
        self._calendar = calendar(HOURS)
        self.clock = SimulatedClock(BEGINS)
        self.device = Device()
        self.outcome = _outcome({})
        self._broken: dict[str, str] = {}
        self.time_service = True
        self.helps: Remedy | None = None
        self._ear = Ear()
        self.folder = Folder(folder)
        self.disk = Disk(folder / "state", self.clock, self._up_since_boot)
        self.awaited: dict[str, float] = {}
        """Beginnings of lines that the event log must have, and by when."""
        self._limit_dbfs = LIMIT_DBFS
        self._told: list[tuple[float, str]] = []
        self._down_until_s, self._by_person = inf, False
        self._boots, self._booted_s = 1, 0.0
        self._queue: list[_Later] = []
        self._numbered = 0
        self._active_s = self._calm_at_s = 0.0
        self.account = Account(self._calendar)
        self._loud_since_s: float | None = None
        self._quiet_since_s: float | None = None
        self.process: Process
        self.log: list[tuple[float, str, str]] = []
        self._start(by_person=True)
        self.later(0, self._plan_day)

    # Time.

    def run(self, days: float) -> None:
        """Raises AssertionError, with the moment, where something does not hold."""
        end_s = self.clock.monotonic_s() + days * 86_400
        while self.clock.monotonic_s() < end_s:
            now_s = self.clock.monotonic_s()
            while self._queue and self._queue[0].at_s <= now_s:
                heapq.heappop(self._queue).befall()
                self.stir()
            if self._up:
                self._tick()
            self._pass(min(self._next_s(), ceil(end_s - self.clock.monotonic_s())))

    def later(self, after_s: float, befall: Callable[[], None]) -> None:
        """Have it befall so much later, in whole seconds."""
        self._numbered += 1
        heapq.heappush(self._queue, _Later(self.clock.monotonic_s() + ceil(after_s), self._numbered, befall))

    def stir(self, settles_s: int = SETTLES_S) -> None:
        """Something happened."""
        self._active_s = self.clock.monotonic_s()
        self._calm_at_s = max(self._calm_at_s, self._active_s + settles_s)

    @property
    def _up(self) -> bool:
        return self._down_until_s == inf

    def _tick(self) -> None:
        before, alarms = self._course(), self.process.rounds.alarms
        self.process.tick()
        if self._up and self._course() != before:
            self.stir(TURNS_S)
        if self._up and self.process.rounds.alarms != alarms:
            self.stir()
        if self._up:
            self._check()

    def _course(self) -> tuple[State, int]:
        return self.process.state, self.process.keeper.house.turn

    def _pass(self, step_s: int) -> None:
        """Let time pass; what is so now stays so until then."""
        began_s, began = self.clock.monotonic_s(), self.clock.true_time()
        if self._up:
            imposed = self._outside() or self._opening() is None  # by a clock that somebody has set
            self.account.count(began, step_s, served=self._in_order(), imposed=imposed)
            self.process.playing.pass_by(began_s, round(began_s) * HOPS_A_SECOND, step_s)
        else:
            self.account.count(began, step_s, served=False, imposed=began_s < self._imposed_until_s)
        self.clock.advance(step_s)
        if not self._up and self.clock.monotonic_s() >= self._down_until_s:
            self._start(by_person=self._by_person)

    def _next_s(self) -> int:
        now_s = self.clock.monotonic_s()
        due_s = self._queue[0].at_s - now_s if self._queue else FURTHEST_S
        if not self._up:
            dark_s = self._imposed_until_s - now_s
            return ceil(min(due_s, self._down_until_s - now_s, dark_s if dark_s > 0.0 else inf))
        if self._every_second or due_s <= SETTLES_S or self._restless():
            return 1
        return max(1, int(min(due_s - SETTLES_S, FURTHEST_S, *self._untils_s(now_s))))

    def _restless(self) -> bool:
        now_s, playing, state = self.clock.monotonic_s(), self.process.playing, self.process.state
        if now_s < self._calm_at_s or self._loud_since_s is not None:
            return True
        if playing.hangs is not None or playing.start_hangs:
            return True
        if self._quiet_since_s is not None or playing.sounds_at_s != inf or playing.fade_left_s != inf:
            return True
        return state in (State.OPENING, State.FAULTED)

    def _outside(self) -> bool:
        """What lies outside the house keeps it silent."""
        return self.device.absent or self.device.too_few_channels

    def _untils_s(self, now_s: float) -> list[float]:
        """Until anything may change by itself."""
        house, wall = self.process.keeper.house, self.clock.now()
        watched = (*MARKS_S, CALM_S + 1) if self.process.rounds.alarms or self.account.cases else (CALM_S + 1,)
        marks = [self._active_s + mark - now_s for mark in watched]
        untils = [self.process.playing.ends_in_s, house.rest_until_s - now_s, *marks]
        change = self._calendar.next_change(wall)
        if change is not None:
            change_s = (change - wall).total_seconds()
            untils += [change_s, change_s - BEFORE_CLOSING_S, change_s - BEFORE_CLOSING_S - FADE_S]
        return [until for until in untils if until > 0.0]

    # What is counted, and what must hold.

    def _opening(self) -> Opening | None:
        """As the house knows it, if it runs."""
        return (self.process.timekeeper if self._up else self._calendar).opening_at(self.clock.now())

    def _in_order(self) -> bool:
        """The house does what it should: it is heard, rests, or is held."""
        state, playing, now_s = self.process.state, self.process.playing, self.clock.monotonic_s()
        if self._loud_since_s is not None and now_s - self._loud_since_s > REACTION_S:
            return False
        begins = playing.sounds_at_s - now_s <= 1.0
        return state in (State.RESTING, State.HELD) or playing.heard or (state is State.PLAYING and begins)

    def _check(self) -> None:
        now_s, house = self.clock.monotonic_s(), self.process.keeper.house
        is_open = self._opening() is not None
        may_sound = (is_open and house.held_by is None) or house.state is State.PLAYING
        sounds = self.process.playing.heard and not may_sound
        self._loud_since_s = (self._loud_since_s or now_s) if sounds else None
        fine = not is_open or self._in_order()
        self._quiet_since_s = None if fine else (self._quiet_since_s or now_s)
        if fine:
            self._recover(now_s)
        assert self.process.limit_dbfs <= self._limit_dbfs, f"{self._where()}: a cap was raised by nobody"
        self._limit_dbfs = self.process.limit_dbfs
        if self._loud_since_s is not None and now_s - self._loud_since_s > REACTION_S:
            assert self._excused(now_s), f"{self._where()}: it sounds while {house.state}"
        if self._quiet_since_s is not None and now_s - self._quiet_since_s > GRACE_S:
            assert self._excused(now_s), (
                f"{self._where()}: {house.state} ({house.reason}) longer than any fault explains"
            )
            assert self._told, f"{self._where()}: nothing in the log says why"

    def _excused(self, now_s: float) -> bool:
        quiet_s, failures = now_s - (self._quiet_since_s or now_s), self.process.playing.now.failures
        if failures.keys() >= self.outcome.gain_db.keys():  # nothing is left but what is tried again after a while
            last_s = max(failures[name].at_s for name in self.outcome.gain_db)
            if now_s - last_s <= ALL_FAILED_S + GRACE_S:
                return True
        if self.process.playing.sounds_at_s != inf and quiet_s <= self.process.playing.winding_s + GRACE_S:
            return True
        return any(now_s <= case.over_s or case.missed_s <= case.fault.bound_s for case in self.account.cases)

    def _recover(self, now_s: float) -> None:
        for case in [case for case in self.account.cases if now_s >= case.over_s and case.fault.cured(self)]:
            self.account.close(case)

    def until_morning_s(self) -> float:
        """Until 6:00 UTC of the next day, when the house is closed."""
        now = self.clock.true_time()
        return (_midnight(now.date() + timedelta(days=1)) - now).total_seconds() + 6 * 3_600

    def must_tell(self, begins: str, within_s: float) -> None:
        """The event log has to have a line soon that begins so: its kind, a colon, its text."""
        self.awaited[begins] = self.clock.monotonic_s() + within_s
        self.later(within_s + 1, self._check_told)

    def _check_told(self) -> None:
        now_s = self.clock.monotonic_s()
        late = [begins for begins, by_s in self.awaited.items() if by_s < now_s]
        assert not late, f"{self._where()}: no line of the log begins with {late}"

    def _where(self) -> str:
        lately = "; ".join(
            f"{at_s - self.clock.monotonic_s():.0f} s {kind}: {text}" for at_s, kind, text in self.log[-12:]
        )
        return f"{self.clock.true_time():%Y-%m-%d %H:%M:%S} UTC [{lately}]"

    def _happened(self, kind: str, text: str) -> None:
        now_s = self.clock.monotonic_s()
        self._told = [(at_s, one) for at_s, one in self._told if now_s - at_s < 120] + [(now_s, kind)]
        told, asked = f"{kind}: {text}", self.awaited
        self.awaited = {begins: by_s for begins, by_s in asked.items() if not told.startswith(begins)}
        self.log = [*self.log[-40:], (now_s, kind, text)]

    # Days.

    def _plan_day(self) -> None:
        """What befalls the house on this day, while it is open; at night the fuse box is switched off."""
        today = self.clock.true_time().astimezone(self._calendar.zone).date()
        openings = self._calendar.openings(today, 1)
        now = self.clock.true_time()
        for opening in openings:
            open_s = (opening.closes - opening.opens).total_seconds()
            comings_a_s = self._faults_a_day / MEAN_AT_ONCE / open_s
            at_s = self._chance.expovariate(comings_a_s) if self._faults_a_day else inf
            while at_s < open_s:
                alone = self._chance.random() < ALONE
                for fault in self._chance.choices(FAULTS, k=1 if alone else self._chance.randint(2, 3)):
                    self.later((opening.opens - now).total_seconds() + at_s, _bound(self.befall, fault))
                at_s += self._chance.expovariate(comings_a_s)
        if self._chance.random() < 0.5 and self._faults_a_day:
            off_at_s = (openings[-1].closes - now).total_seconds() + self._chance.randint(60, 3_000)
            self.later(off_at_s, lambda: self.cut_power(self._chance.randint(600, 14_000), self._chance))
        self.later((_midnight(today + timedelta(days=1)) - now).total_seconds(), self._plan_day)
        if self._up:
            self.process.playing.settle()
        highest = self._ear.highest()
        assert max(highest) <= 1.0 + 1e-9, f"{self._where()}: a cap's window was exceeded: {highest}"
        self.account.totals.peak(highest)

    def befall(self, fault: Fault) -> None:
        """Something goes wrong now, if the program runs."""
        if not self._up:
            return
        now_s = self.clock.monotonic_s()
        self.log = [*self.log[-40:], (now_s, "FAULT", fault.kind)]
        lasts_s = fault.befall(self, self._chance)
        self.account.cases.append(Case(fault, now_s + lasts_s))

    # What faults and remedies do.

    def tell(self, event: Event) -> None:
        """A person asks for something, if anybody is there to hear it."""
        if self._up:
            self.process.tell(event)

    def change_machine(self, **changes: Any) -> None:
        self.process.machine = replace(self.process.machine, **changes)

    def take_out(self, name: str, why: str) -> None:
        self._broken[name] = why
        self.outcome = self.process.playing.outcome = _outcome(self._broken)

    def put_back(self, name: str) -> None:
        self._broken.pop(name, None)
        self.outcome = self.process.playing.outcome = _outcome(self._broken)

    def stop_writing(self, why: str) -> None:
        self.process.log_trouble = why
        self.disk.stand(self.process)
        self.later(2, self._spare)

    def go_on_writing(self) -> None:
        self.process.log_trouble = self._slow_words()
        self.disk.go_on()
        self._spare()

    def slow_down(self, by_s: float) -> None:
        """The disk answers so late; 0: as it should."""
        self.disk.slow_s = self.process.playing.slow_s = by_s
        self.process.log_trouble = self._slow_words()
        self._spare()

    def _slow_words(self) -> str | None:
        return f"the disk has not answered for {self.disk.slow_s:.0f} s" if self.disk.slow_s else None

    def _spare(self) -> None:
        """The disk has taken nothing for long enough that every hop is spared, or takes everything again."""
        if self._up:
            self.process.playing.spare(spares=self.process.log_trouble is not None)

    def cut_power(self, off_s: int, chance: random.Random) -> None:
        """What was being written is there, or is not; the clock may come back wrong."""
        if not self._up:
            return
        self.disk.keep(self.process, lost_s=chance.uniform(0.0, MEMORY_S), ended=False)
        self.clock.off_s = chance.choice([0.0, 0.0, 0.0, -1.0, 2.0])
        self._imposed_until_s = self.clock.monotonic_s() + off_s
        self._boots, self._booted_s = self._boots + 1, self._imposed_until_s - BOOTS_S
        self._end_run(self._imposed_until_s + STARTS_S)

    def kill(self, chance: random.Random) -> None:
        self.disk.keep(self.process, lost_s=chance.uniform(0.0, MEMORY_S), ended=False)
        self._imposed_until_s = self.clock.monotonic_s()
        self._end_run(self._imposed_until_s + AGAIN_S + STARTS_S)

    def _end_run(self, until_s: float, *, by_person: bool = False) -> None:
        self._down_until_s, self._by_person = until_s + ceil(self.disk.slow_s), by_person
        self.awaited.clear()  # what it was about to tell

    def _taken(self, remedy: Remedy, due: Due) -> None:
        """The remedies, as the daemon takes them."""
        playing = self.process.playing
        if remedy is Remedy.SKIP:
            playing.fail(due.why)
        elif remedy is Remedy.LEAVE_OUT:
            playing.leave_out(due.why)
        elif remedy is Remedy.TIDY:
            self.change_machine(disk_free_share=0.5)
        elif remedy is Remedy.REOPEN:
            playing.sink.reopen(due.why)
        elif remedy is Remedy.SILENCE:
            playing.sink.give_up(due.why)
            self.later(1_800, self._restart_later)
        elif remedy is Remedy.RESTART or (remedy is Remedy.REBUILD and not playing.rebuild(due.why)):
            self.restart()
            return
        if remedy is Remedy.REBUILD:
            playing.ignores_fades = False
        if remedy is self.helps:
            playing.gives_nothing = playing.direct = False

    def restart(self, *, by_person: bool = False) -> bool:
        """The program ends by itself, and systemd starts it again; or a person has it do both. Gives whether it ran."""
        if not self._up:
            return False
        stands = self.process.playing.hangs is not None
        self.disk.keep(self.process, lost_s=0.0, ended=not stands)
        self._imposed_until_s = self.clock.monotonic_s()
        self._end_run(self._imposed_until_s + AGAIN_S + STARTS_S + (0 if stands else 1), by_person=by_person)
        return True

    def _restart_later(self) -> None:
        self.restart()

    def _start(self, *, by_person: bool) -> None:
        self._down_until_s = inf
        history, before, lost = self.disk.begin()
        self._happened("started", "")
        installation = load_in_force(self.folder.path, self.disk.folder, by_person=by_person)
        if by_person:
            self._limit_dbfs = self.folder.wanted_dbfs
        for sentence in lost:
            self._happened("memory", sentence)
        for finding in installation.findings:
            self._happened(finding.severity, str(finding))
        self.process = Process(
            InForce(installation, self.disk.folder, self.clock.now, self._happened),
            self.clock,
            Playing(self.clock.monotonic_s, self.device, history, self.outcome, self._ear),
            before,
            self.disk.folder,
            lambda: Witnesses(self.time_service, battery=True),
            self._happened,
            self._taken,
        )
        self.process.playing.lowered_db = self.process.limit_dbfs - LIMIT_DBFS
        self.slow_down(self.disk.slow_s)
        self.stir()

    def _up_since_boot(self) -> Uptime:
        return Uptime(f"boot {self._boots}", self.clock.monotonic_s() - self._booted_s)


def _outcome(broken: dict[str, str]) -> Outcome:
    return Outcome(
        gain_db={name: 0.0 for name in DURATION_S if name not in broken},
        words={},
        duration_s={name: float(length) for name, length in DURATION_S.items()},
        unplayable=dict(broken),
    )


def _bound(befall: Callable[[Fault], None], fault: Fault) -> Callable[[], None]:
    return lambda: befall(fault)


def _midnight(day: date) -> datetime:
    return datetime(day.year, day.month, day.day, tzinfo=UTC)
