"""A house on simulated clocks: the real keeper, house, hours, programme and watchdog, and an engine that counts."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from math import inf

from residue.mapping.signals import frame_at
from residue.runtime.engine.player import LEFT_OUT_S
from residue.runtime.house.exchange import Action, EngineView, Event, FadeOut, SetTrim, Start, Tick
from residue.runtime.house.house import House
from residue.runtime.house.house_state import BEFORE_CLOSING_S, FADE_S, MAY_SOUND
from residue.runtime.house.keeper import Keeper
from residue.runtime.house.memory import memory, recalled
from residue.schedule.calendar import Calendar
from residue.schedule.programme import Programme
from residue.watchdog.checks import Remedy
from residue.watchdog.vitals import Vitals
from residue.watchdog.watch import Watchdog

_JUST_AFTER_S = 0.01
"""The time from a moment at which something is due to the next tick."""
_FURTHEST_S = 3600.0
_LOOK_S = 0.5
"""The time between two checks of the watchdog while an engine stalls; its other checks need no deadline in a
simulation.
"""
RESTART_S = 6.0
"""The time of a restart: RestartSec of the unit, imports, and winding forward."""


class SimulatedClock:
    """Both clocks advance only on request; the wall clock can be set."""

    def __init__(self, start: datetime) -> None:
        self._start = start.astimezone(UTC)
        self._elapsed_s = 0.0
        self.off_s = 0.0
        """The error of the wall clock."""

    def now(self) -> datetime:
        """The time of the simulated wall clock."""
        return self.true_time() + timedelta(seconds=self.off_s)

    def true_time(self) -> datetime:
        """The true time, which a wrongly set wall clock does not show."""
        return self._start + timedelta(seconds=self._elapsed_s)

    def monotonic_s(self) -> float:
        """Seconds since the start."""
        return self._elapsed_s

    def advance(self, seconds: float) -> None:
        """Lets simulated time pass."""
        self._elapsed_s += seconds


@dataclass(frozen=True, slots=True, kw_only=True)
class PlayedStretch:
    """A stretch of a performance that sounded."""

    performance: str
    begins: datetime
    from_s: float
    to_s: float
    trim_db: float


class CountingEngine:
    """Plays nothing, and records what would have been heard."""

    def __init__(self, clock: SimulatedClock, duration_s: Mapping[str, float]) -> None:
        self._clock = clock
        self._duration_s = duration_s
        self._view = EngineView(ready=frozenset(duration_s), duration_s=duration_s)
        self._playing: PlayedStretch | None = None
        self._left_out: tuple[str, float] | None = None
        self.ends_s = inf
        """The end of the present performance, on the monotonic clock."""
        self.stood_s: float | None = None
        """The monotonic time since which it is stuck."""
        self.heard: list[PlayedStretch] = []

    @property
    def frames(self) -> int:
        """The frames written so far."""
        return frame_at(self._clock.monotonic_s() if self.stood_s is None else self.stood_s)

    def view(self) -> EngineView:
        """The engine's present view."""
        if self._left_out is not None and self._clock.monotonic_s() >= self._left_out[1]:
            self._left_out, self._view = None, replace(self._view, unplayable={})
        if self._playing is not None and self.stood_s is None:
            left_s = self.ends_s - self._clock.monotonic_s()
            self._view = replace(self._view, playhead_s=self._playing.to_s - max(0.0, left_s))
            if left_s <= 0.0:
                self._stop()
        return self._view

    def do(self, actions: Iterable[Action]) -> None:
        """Carries out the actions, at once."""
        for action in actions if self.stood_s is None else ():
            match action:
                case Start() if action.turn != self._view.turn:
                    self._start(action)
                case FadeOut() if self._playing is not None:
                    self._end_at(self._clock.monotonic_s() + action.seconds)
                case SetTrim():
                    self._view = replace(self._view, trim_db=action.db)

    def lose(self, fault: str | None) -> None:
        """Sets the reason why nothing can be heard from now on, or None for sound again."""
        self._view = replace(self._view, fault=fault)

    def hang(self) -> None:
        """From now on the engine writes nothing and carries out no orders."""
        self.stood_s = self._clock.monotonic_s()

    def rebuild(self) -> None:
        """Continues without the present performance, which is left out for a while."""
        if self._playing is not None and self.stood_s is not None:
            self._end_at(self.stood_s)
            name = self._playing.performance
            self._left_out = name, self._clock.monotonic_s() + LEFT_OUT_S
            self._view = replace(self._view, unplayable={name: "The graph hangs: it returned no block."})
            self._stop()
        self.stood_s = None

    def cut(self) -> None:
        """A power cut: the present performance stops here, and nothing is remembered."""
        if self._playing is not None:
            self._end_at(self._clock.monotonic_s() if self.stood_s is None else self.stood_s)
            self._stop()
        self.stood_s = self._left_out = None
        self._view = replace(self._view, turn=0, playhead_s=0.0, unplayable={})

    def _start(self, start: Start) -> None:
        lasts_s = self._duration_s[start.performance]
        trim_db = self._view.trim_db
        self._playing = PlayedStretch(
            performance=start.performance,
            begins=self._clock.true_time(),
            from_s=start.from_s,
            to_s=lasts_s,
            trim_db=trim_db,
        )
        self.ends_s = self._clock.monotonic_s() + lasts_s - start.from_s
        self._view = replace(self._view, turn=start.turn, sounding=True, playhead_s=start.from_s)

    def _end_at(self, ends_s: float) -> None:
        if self._playing is not None and ends_s < self.ends_s:
            self._playing = replace(self._playing, to_s=self._playing.to_s - (self.ends_s - ends_s))
            self.ends_s = ends_s

    def _stop(self) -> None:
        if self._playing is not None:
            self.heard.append(self._playing)
            self._view = replace(self._view, sounding=False, playhead_s=self._playing.to_s)
        self._playing, self.ends_s = None, inf


@dataclass(frozen=True, slots=True)
class Incident:
    """An incident of the house."""

    at_s: float
    """The time from the start of the simulation."""
    what: str
    befall: Callable[[Simulation], None]


@dataclass
class Simulation:
    """Moves from one moment at which something is due to the next."""

    calendar: Calendar
    programme: Programme
    duration_s: Mapping[str, float]
    start: datetime
    happenings: Sequence[Incident] = ()
    log: list[tuple[datetime, str, str]] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.clock = SimulatedClock(self.start)
        self.engine = CountingEngine(self.clock, self.duration_s)
        self.keeper = self._keeper(House())
        self._watchdog = Watchdog()

    def run(self, seconds: float, seen: Callable[[float], None] = lambda seconds: None) -> None:
        """Lets so many seconds pass. seen: called after each tick with the time for which its state will last."""
        due = sorted(self.happenings, key=lambda one: one.at_s)
        while self.clock.monotonic_s() < seconds:
            while due and due[0].at_s <= self.clock.monotonic_s():
                happening = due.pop(0)
                self.log.append((self.clock.true_time(), "befell", happening.what))
                happening.befall(self)
            self.tell(Tick())
            self._watch()
            step_s = min(self._next_s(due[0].at_s if due else inf), seconds - self.clock.monotonic_s() + _JUST_AFTER_S)
            seen(step_s)
            self.clock.advance(step_s)
        self.tell(Tick())

    def tell(self, event: Event) -> None:
        """Lets the house act."""
        self.keeper.tell(event)

    def restart(self, off_s: float) -> None:
        """A power cut: the machine is off for so long, and starts again with the memory that it wrote."""
        written = memory(self.keeper.house, self.engine.view(), self.clock.monotonic_s())
        self.engine.cut()
        self.clock.advance(off_s)
        self.keeper = self._keeper(recalled(written, self.programme, self.clock.monotonic_s()))
        self._watchdog = Watchdog()

    def _watch(self) -> None:
        """Lets the watchdog check, and carries out its actions."""
        view = self.engine.view()
        may_sound = self.keeper.house.state in MAY_SOUND
        heard = view.sounding and view.fault is None and self.engine.stood_s is None
        seen = Vitals(
            monotonic_s=self.clock.monotonic_s(),
            frames=self.engine.frames,
            lost=view.fault,
            may_sound=may_sound,
            sent_peak=float(heard),
            failures=len(view.unplayable),
        )
        for due in self._watchdog.look(seen):
            if due.remedy in self._remedies:
                self.log.append((self.clock.true_time(), "watchdog", f"{due.why} Remedy: {due.remedy}."))
                self._remedies[due.remedy]()
                self.tell(Tick())

    @property
    def _remedies(self) -> Mapping[Remedy, Callable[[], None]]:
        return {Remedy.REBUILD: self.engine.rebuild, Remedy.RESTART: lambda: self.restart(RESTART_S)}

    def _keeper(self, house: House) -> Keeper:
        return Keeper(
            house,
            lambda: self.programme,
            self.calendar,
            self.clock,
            self.engine,
            lambda kind, text, _by: self._happened(kind, text),
        )

    def _happened(self, kind: str, text: str) -> None:
        self.log.append((self.clock.true_time(), kind, text))

    def _next_s(self, happening_s: float) -> float:
        """The time until something is due."""
        house, now, elapsed_s = self.keeper.house, self.clock.now(), self.clock.monotonic_s()
        if self.engine.stood_s is not None:
            return _LOOK_S
        moments = [self.engine.ends_s, house.rest_until_s, happening_s]
        untils_s = [moment - elapsed_s for moment in moments]
        change = self.calendar.next_change(now)
        if change is not None:
            until_s = (change - now).total_seconds()
            untils_s += [until_s, until_s - BEFORE_CLOSING_S - FADE_S]
        if house.not_before is not None:
            untils_s.append((house.not_before - now).total_seconds())
        return min([until_s for until_s in untils_s if until_s > 0.0], default=_FURTHEST_S) + _JUST_AFTER_S
