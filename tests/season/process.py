"""One run of the program in a season: real house, hours, timekeeper, memory and watchdog, a simulated engine."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import msgspec

from residue.runtime.daemon.examination import DevicePace, vitals
from residue.runtime.daemon.rounds import Rounds
from residue.runtime.house.exchange import Event
from residue.runtime.house.house_state import State
from residue.runtime.house.keeper import Keeper
from residue.runtime.house.memory import Memory, memory, recalled
from residue.runtime.house.restarts import Restarts
from residue.runtime.house.timekeeper import Timekeeper
from residue.runtime.rehearsal.simulation import SimulatedClock
from residue.schedule.calendar import Calendar
from residue.schedule.clock_trust import Witnesses
from residue.schedule.hours import Hours
from residue.watchdog.checks import Remedy
from residue.watchdog.machine import Conditions
from residue.watchdog.notify import Notifier
from residue.watchdog.vitals import Vitals
from residue.watchdog.watch import Due
from tests.season.playing import Playing


@dataclass(frozen=True)
class FixedHours:
    """Hours that nobody edits."""

    hours: Hours
    calendar: Calendar


class Process:
    """What runs between a start and an end.

    happened: the event table. restart, give_up, skipped: what the world does when such a remedy is taken.
    """

    def __init__(
        self,
        hours: Hours,
        calendar: Calendar,
        clock: SimulatedClock,
        playing: Playing,
        written: bytes,
        folder: Path,
        witnesses: Callable[[], Witnesses],
        happened: Callable[[str, str], None],
        taken: Callable[[Remedy, Due], None],
    ) -> None:
        self._clock = clock
        self.playing = playing
        self._witnesses = witnesses
        self._taken = taken
        before = msgspec.json.decode(written, type=Memory)
        self.timekeeper = Timekeeper(lambda: FixedHours(hours, calendar), clock, before.last_known)
        house = recalled(before, hours.programme, clock.monotonic_s())
        self.keeper = Keeper(
            house,
            lambda: hours.programme,
            self.timekeeper,
            clock,
            playing,
            lambda kind, text, _by: happened(kind, text),
        )
        self.machine = Conditions(disk_free_share=0.5, memory_bytes=200_000_000, temperature_c=50.0)
        self.planning_trouble: str | None = None
        self.log_trouble: str | None = None
        self.too_often = 0
        self._pace = DevicePace()
        remedies = {remedy: self._taker(remedy) for remedy in Remedy}
        self.rounds = Rounds(self._vitals, remedies, Restarts(folder / "restarts.json", clock), Notifier({}), happened)
        self.began_s = clock.monotonic_s()

    def _taker(self, remedy: Remedy) -> Callable[[Due], None]:
        return lambda due: self._taken(remedy, due)

    @property
    def state(self) -> State:
        return self.keeper.house.state

    def tick(self) -> None:
        """What the daemon's loop does."""
        self.timekeeper._witnesses = self._witnesses()
        self.timekeeper.look()
        self.keeper.tick()
        self.rounds.make("")

    def tell(self, event: Event) -> None:
        self.keeper.tell(event)

    def memory(self) -> bytes:
        """As the daemon writes it down."""
        last_known = self.timekeeper.known.last_known
        return msgspec.json.encode(
            memory(self.keeper.house, self.playing.view(), self._clock.monotonic_s(), last_known=last_known)
        )

    def _vitals(self) -> Vitals:
        now_s, engine = self._clock.monotonic_s(), self.playing.now
        return vitals(
            monotonic_s=now_s,
            engine=engine,
            pace=self._pace.look(now_s, engine),
            start_still_s=self.playing.start_still_s,
            house=self.state,
            outcome=self.playing.outcome,
            planning_trouble=self.planning_trouble,
            log_trouble=self.log_trouble,
            too_often=self.too_often,
            clock_doubt=self.timekeeper.doubt,
            machine=self.machine,
        )
