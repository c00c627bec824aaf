"""One run of the program in a season: real house, hours, timekeeper, memory and watchdog, a simulated engine."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from residue.runtime.daemon.examination import DevicePace, vitals
from residue.runtime.daemon.rounds import Rounds
from residue.runtime.house.exchange import Event
from residue.runtime.house.house_state import State
from residue.runtime.house.in_force import InForce
from residue.runtime.house.keeper import Keeper
from residue.runtime.house.memory import Memory, memory, recalled
from residue.runtime.house.restarts import FILE_NAME, Restarts
from residue.runtime.house.timekeeper import Timekeeper
from residue.runtime.rehearsal.simulation import SimulatedClock
from residue.runtime.swap.moment import moment
from residue.runtime.swap.swaps import Swaps
from residue.schedule.clock_trust import Witnesses
from residue.watchdog.checks import Remedy
from residue.watchdog.machine import Conditions
from residue.watchdog.notify import Notifier
from residue.watchdog.vitals import Vitals
from residue.watchdog.watch import Due
from tests.season.folder import LIMIT_DBFS, trial
from tests.season.playing import Playing


class Process:
    """What runs between a start and an end.

    in_force: of the installation's real files. before: what the house remembers. happened: the event table. taken: what
    the world does when a remedy is taken.
    """

    def __init__(
        self,
        in_force: InForce,
        clock: SimulatedClock,
        playing: Playing,
        before: Memory,
        folder: Path,
        witnesses: Callable[[], Witnesses],
        happened: Callable[[str, str], None],
        taken: Callable[[Remedy, Due], None],
    ) -> None:
        self._clock = clock
        self.playing = playing
        self._witnesses = witnesses
        self._taken = taken
        self.in_force = in_force
        self._happened = happened
        self.swaps = Swaps(in_force, folder / "cache", trial)
        self.timekeeper = Timekeeper(in_force, clock, before.last_known)
        house = recalled(before, in_force().hours.programme, clock.monotonic_s())
        self.keeper = Keeper(
            house,
            lambda: in_force().hours.programme,
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
        restarts = Restarts(folder / FILE_NAME, clock, happened)
        self.rounds = Rounds(self._vitals, remedies, restarts, Notifier({}), happened)
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
        self._look_at_files()

    def _look_at_files(self) -> None:
        """What the daemon does beside its loop."""
        now_s = self._clock.monotonic_s()
        change = self.in_force.look(now_s)
        if change is not None:
            self.in_force.take(change)
            self.playing.lowered_db = self.limit_dbfs - LIMIT_DBFS  # as the plan is made again
        opening = self.timekeeper.opening_at(self._clock.now())
        at = moment(self.keeper.house, self.in_force().hours.programme, self.playing.now, opening)
        taken, said = self.swaps.look(at, now_s, planning=False)
        assert taken is None, "A bag that nobody should take was taken."
        for text in said:
            self._happened("swap", text)

    @property
    def limit_dbfs(self) -> float:
        """Of the strictest cap in force."""
        return min(cap.limit_dbfs for cap in self.in_force().room.cap if cap.limit_dbfs is not None)

    def tell(self, event: Event) -> None:
        self.keeper.tell(event)

    def memory(self) -> Memory:
        """As the daemon writes it down."""
        last_known = self.timekeeper.known.last_known
        return memory(self.keeper.house, self.playing.view(), self._clock.monotonic_s(), last_known=last_known)

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
            assumed=False,
            too_often=self.too_often,
            clock_doubt=self.timekeeper.doubt,
            machine=self.machine,
        )
