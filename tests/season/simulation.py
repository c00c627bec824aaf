"""A season in seconds: the real house, hours, programme, memory and watchdog among simulated surroundings.

    python -m tests.season.simulation --days 1000 --seed 7

Clock, engine, device and power are simulated; faults come from a seed, so that what fails once fails again. After
every simulated step what must always hold is checked.
"""

from __future__ import annotations

import argparse
import random
import sys
from collections import Counter
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta

import msgspec

from residue.runtime.exchange import Action, EngineView, Event, FadeOut, Hold, Next, Release, SetTrim, Start
from residue.runtime.house_state import FADE_S, House, State
from residue.runtime.keeper import Keeper
from residue.runtime.memory import Memory, memory, recalled
from residue.schedule.hours import Hours, calendar
from residue.schedule.programme import Programme
from residue.schedule.tables import Weekly
from residue.watchdog.checks import Remedy
from residue.watchdog.vitals import Vitals
from residue.watchdog.watch import Watchdog

DAY = ("10:00-20:00",)
HOURS = Hours(
    time_zone="Europe/Berlin",
    weekly=Weekly(mon=DAY, tue=DAY, wed=DAY, thu=DAY, fri=(*DAY, "22:00-02:00"), sat=DAY, sun=DAY),
    programme=Programme(performances=("first-batch", "second-batch", "third-batch"), rest_s=90),
)
DURATION_S = {"first-batch": 300.0, "second-batch": 351.0, "third-batch": 420.0}
BEGINS = datetime(2026, 9, 1, 6, 0, tzinfo=UTC)
STEP_S = 1.0
IDLE_STEP_S = 10.0
"""While nothing has happened for a while."""
NIGHT_STEP_S = 60.0
"""While the house is closed, and idle, and will be for the next minute."""
RESTART_S = 6.0
"""RestartSec of the unit, imports, and winding forward."""
MEMORY_S = 5.0
REACTION_S = FADE_S + 2 * STEP_S
"""By then the sound has gone after closing time or a hold came without warning."""


class Clock:
    """The wall clock may be set; the other only goes forward."""

    def __init__(self) -> None:
        self.wall = BEGINS
        self.passed_s = 0.0

    def now(self) -> datetime:
        return self.wall

    def monotonic_s(self) -> float:
        return self.passed_s

    def pass_by(self, duration_s: float) -> None:
        self.wall += timedelta(seconds=duration_s)
        self.passed_s += duration_s


class Engine:
    """Plays turns on a simulated device; may stand still."""

    def __init__(self, clock: Clock, ready_at_s: float) -> None:
        self._clock = clock
        self._ready_at_s = ready_at_s
        self._view = EngineView(duration_s=DURATION_S)
        self._performance = ""
        self._fade_left_s: float | None = None
        self.lost_until_s = 0.0
        self.failed: dict[str, str] = {}
        self.frames = 0
        self.stands = False

    def view(self) -> EngineView:
        now_s = self._clock.passed_s
        ready = frozenset(DURATION_S.keys() - self.failed.keys()) if now_s >= self._ready_at_s else frozenset()
        fault = "The device is lost." if now_s < self.lost_until_s else None
        return replace(self._view, ready=ready, unplayable=dict(self.failed), fault=fault)

    @property
    def heard(self) -> bool:
        return self._view.sounding and self._clock.passed_s >= self.lost_until_s and not self.stands

    def do(self, actions: Iterable[Action]) -> None:
        for action in actions:
            if type(action) in self._DO and not self.stands:
                self._DO[type(action)](self, action)

    def pass_by(self, duration_s: float) -> None:
        if self.stands:
            return
        self.frames += round(duration_s * 48_000)
        if not self._view.sounding:
            return
        playhead_s = min(DURATION_S[self._performance], self._view.playhead_s + duration_s)
        if self._fade_left_s is not None:
            self._fade_left_s -= duration_s
        over = playhead_s >= DURATION_S[self._performance] or (self._fade_left_s or 1.0) <= 0
        self._view = replace(self._view, playhead_s=playhead_s, sounding=not over)

    def fail(self) -> None:
        """The graph of what plays raises."""
        if self._view.sounding:
            self.failed[self._performance] = "A node failed."
            self._view = replace(self._view, sounding=False)

    def _start(self, start: Start) -> None:
        if start.turn != self._view.turn:
            self._performance, self._fade_left_s = start.performance, None
            self._view = replace(self._view, turn=start.turn, sounding=True, playhead_s=start.from_s)

    def _fade_out(self, fade: FadeOut) -> None:
        left_s = fade.seconds if self._fade_left_s is None else self._fade_left_s
        self._fade_left_s = min(left_s, fade.seconds)

    def _set_trim(self, trim: SetTrim) -> None:
        self._view = replace(self._view, trim_db=trim.db)

    _DO: Mapping[type, Callable[..., None]] = {Start: _start, FadeOut: _fade_out, SetTrim: _set_trim}


@dataclass
class Fault:
    """What goes wrong, and by when the house must be in order again."""

    kind: str
    bound_s: float
    happen: Callable[[Season], None]


class Season:
    """Days that follow each other, with so many faults a day."""

    def __init__(self, seed: int, faults_a_day: float) -> None:
        self._random = random.Random(seed)
        self._faults_a_day = faults_a_day
        self._calendar = calendar(HOURS)
        self.clock = Clock()
        self._opening = self._calendar.opening_at(self.clock.wall)
        self._written = msgspec.json.encode(Memory())
        self._down_until_s = 0.0
        self._excused_until_s = 60.0
        self._silence_due_s: float | None = None
        self._busy_until_s = 0.0
        self._release_at_s: float | None = None
        self.counts: Counter[str] = Counter()
        self.open_s = self.served_s = 0.0
        self.boot(House(), ready_at_s=0.0)

    def boot(self, house: House, ready_at_s: float) -> None:
        """The program starts, with what it was left."""
        self.engine = Engine(self.clock, ready_at_s)
        self.keeper = Keeper(
            house, HOURS.programme, self._calendar, self.clock, self.engine, lambda kind, text, by: None
        )
        self._watchdog = Watchdog()

    def run(self, days: int) -> None:
        """Raises AssertionError, with the moment, where something does not hold."""
        end_s = self.clock.passed_s + days * 86_400
        while self.clock.passed_s < end_s:
            self._step()

    def _step(self) -> None:
        opening = self._opening
        step_s = self._step_s()
        if opening is not None and self._random.random() < self._faults_a_day * step_s / 36_000:
            self._go_wrong()
            step_s = STEP_S
        self.clock.pass_by(step_s)
        self._opening = self._calendar.opening_at(self.clock.wall)
        if self.clock.passed_s < self._down_until_s:
            self._count(opening is not None, step_s, served=False)
            return
        before = self.keeper.house.state
        self.engine.pass_by(step_s)
        self.keeper.tick()
        if self._release_at_s is not None and self.clock.passed_s >= self._release_at_s:
            self._release_at_s = None
            self.ask(Release("warden"))
        self._watch()
        if self.keeper.house.state is not before:
            self._busy_until_s = self.clock.passed_s + 20
        if self.clock.passed_s % MEMORY_S < step_s:
            self._write_down()
        self._check()
        state = self.keeper.house.state
        served = state in (State.PLAYING, State.RESTING, State.HELD)
        self._count(self._opening is not None, step_s, served=served)

    def _step_s(self) -> float:
        if self.clock.passed_s <= self._busy_until_s:
            return STEP_S
        if self._opening is not None:
            closes_s = (self._opening.closes - self.clock.wall).total_seconds()
            return STEP_S if closes_s < 30 else IDLE_STEP_S
        change = self._calendar.next_change(self.clock.wall)
        opens_s = (change - self.clock.wall).total_seconds() if change else NIGHT_STEP_S
        return NIGHT_STEP_S if opens_s > NIGHT_STEP_S else STEP_S

    def ask(self, event: Event) -> None:
        """A person asks for something."""
        self.keeper.tell(event)
        self._busy_until_s = self.clock.passed_s + 20

    def _count(self, is_open: object, step_s: float, *, served: bool) -> None:
        if is_open:
            self.open_s += step_s
            self.served_s += step_s * served

    def _watch(self) -> None:
        view = self.engine.view()
        vitals = Vitals(
            self.clock.passed_s, frames=self.engine.frames, lost=view.fault, failures=len(self.engine.failed)
        )
        for due in self._watchdog.look(vitals):
            if due.remedy is Remedy.RESTART:
                self.restart(RESTART_S)
                return

    def _write_down(self) -> None:
        self._written = msgspec.json.encode(memory(self.keeper.house, self.engine.view()))
        msgspec.json.decode(self._written, type=Memory)

    def _check(self) -> None:
        """What must hold at every moment."""
        house, now_s = self.keeper.house, self.clock.passed_s
        is_open = self._opening is not None
        may_sound = is_open and house.held_by is None
        if self.engine.heard and not may_sound:
            self._silence_due_s = self._silence_due_s or now_s + REACTION_S
            assert now_s <= self._silence_due_s, f"{self.clock.wall}: it sounds while {house.state}"
        else:
            self._silence_due_s = None
        in_order = house.state in (State.PLAYING, State.RESTING, State.HELD) and not self.engine.stands
        assert not is_open or in_order or now_s <= self._excused_until_s, (
            f"{self.clock.wall}: {house.state} ({house.reason}) longer than any fault explains"
        )
        if not is_open:
            self._excused_until_s = now_s + 30.0  # from the opening to the first sound

    # Faults.

    def _go_wrong(self) -> None:
        fault = self._random.choice(FAULTS)
        self.counts[fault.kind] += 1
        fault.happen(self)
        self._excused_until_s = max(self._excused_until_s, self.clock.passed_s + fault.bound_s)
        self._busy_until_s = self.clock.passed_s + 20

    def restart(self, down_s: float) -> None:
        """The program is gone for a while and starts with what was written down last."""
        self._down_until_s = self.clock.passed_s + down_s
        remembered = recalled(msgspec.json.decode(self._written, type=Memory), HOURS.programme)
        self.boot(remembered, self._down_until_s)

    def lose_device(self) -> None:
        """Unplugged for a while."""
        self.engine.lost_until_s = self.clock.passed_s + self._random.uniform(1, 100)

    def cut_power(self) -> None:
        """At any moment; the clock may come back wrong by minutes."""
        self.restart(self._random.uniform(RESTART_S, 60))
        self._set_clock_by(self._random.choice([0, 0, -240, 240]))

    def stand_still(self) -> None:
        """A hung sound server hangs the engine."""
        self.engine.stands = True

    def hold_a_while(self) -> None:
        """A speech."""
        self.ask(Hold("warden"))
        self._release_at_s = self.clock.passed_s + self._random.uniform(5, 1_200)

    def set_clock(self) -> None:
        """By a time server, or by hand."""
        self._set_clock_by(self._random.choice([-7_200, -60, -3, 3, 60, 7_200]))

    def _set_clock_by(self, seconds: float) -> None:
        self.clock.wall += timedelta(seconds=seconds)
        self._opening = self._calendar.opening_at(self.clock.wall)

    def fail_in_graph(self) -> None:
        """A node raises; the program starts with a clean slate at night."""
        if len(self.engine.failed) < 2:
            self.engine.fail()

    def pass_over(self) -> None:
        """Somebody wants the next one."""
        self.ask(Next("warden"))


FAULTS = [
    Fault("device lost", 115.0, Season.lose_device),
    Fault("power cut", 80.0, Season.cut_power),
    Fault("engine stands", 30.0, Season.stand_still),
    Fault("hold", 15.0, Season.hold_a_while),
    Fault("clock set", 30.0, Season.set_clock),
    Fault("graph failed", 15.0, Season.fail_in_graph),
    Fault("next", 15.0, Season.pass_over),
]


def main() -> None:
    """Print how much of the open time the house was in order."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--days", type=int, default=1_000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--faults-a-day", type=float, default=10.0)
    given = parser.parse_args()
    season = Season(given.seed, given.faults_a_day)
    season.run(given.days)
    share = season.served_s / season.open_s
    sys.stdout.write(
        f"seed {given.seed}, {given.days} days, {season.counts.total()} faults: {share:.3%} of open time\n"
    )
    for kind, count in sorted(season.counts.items()):
        sys.stdout.write(f"  {kind}: {count}\n")


if __name__ == "__main__":
    main()
