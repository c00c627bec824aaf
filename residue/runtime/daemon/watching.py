"""The watchdog's part of the daemon: its vitals, its remedies, and its notices to systemd."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path

from residue.control.surface import Surface
from residue.runtime.daemon.chronicle import Chronicle
from residue.runtime.daemon.disturbances import Disturbances, disturbances
from residue.runtime.daemon.examination import DevicePace, vitals
from residue.runtime.daemon.rounds import Rounds
from residue.runtime.engine.show import Show
from residue.runtime.house.restarts import FILE_NAME, Restarts
from residue.runtime.planning.giving_way import GivingWay
from residue.watchdog.checks import Remedy
from residue.watchdog.deadman import Deadman
from residue.watchdog.machine import conditions
from residue.watchdog.notify import Notifier
from residue.watchdog.vitals import Vitals
from residue.watchdog.watch import Due

FADE_S = 1.0
"""The fade-out of a performance that the watchdog skips."""


class Watching:
    """Checks a show and repairs it. restart: ends the program for a reason; systemd then starts it again."""

    def __init__(
        self, show: Show, state: Path, chronicle: Chronicle, surface: Surface, restart: Callable[[str], None]
    ) -> None:
        self._show = show
        self._state = state
        self._chronicle = chronicle
        self._surface = surface
        self._restart = restart
        self._pace = DevicePace()
        self._giving_way = GivingWay()
        self.disturbances = Disturbances()
        self.notifier = Notifier()
        restarts = Restarts(state / FILE_NAME, show.clock, chronicle.happened)
        self.rounds = Rounds(self._vitals, self._remedies(), restarts, self.notifier, chronicle.happened)
        self.deadman = Deadman(lambda: show.engine.snapshot.frames)

    def give_way(self) -> None:
        """Has the planner pause while what plays is late."""
        engine = self._show.engine.snapshot
        pauses = self._giving_way(
            late_blocks=engine.late_blocks,
            busy=engine.busy,
            sounds=engine.performance is not None,
            now_s=self._show.clock.monotonic_s(),
        )
        self._show.planner.give_way(pauses=pauses)

    def _vitals(self) -> Vitals:
        show, now_s, engine = self._show, self._show.clock.monotonic_s(), self._show.engine.snapshot
        self.disturbances = disturbances(self.disturbances, engine, show.clock.now())
        return vitals(
            monotonic_s=now_s,
            engine=engine,
            pace=self._pace.look(now_s, engine),
            start_still_s=show.player.start_still_s,
            house=show.keeper.house.state,
            outcome=show.planner.outcome,
            planning_trouble=show.planner.trouble,
            log_trouble=self._chronicle.writer.trouble,
            assumed=any(one.left_s > now_s - show.started_s for one in show.assumed),
            too_often=self._surface.counts.too_often,
            clock_doubt=show.timekeeper.doubt,
            machine=conditions(self._state),
        )

    def _remedies(self) -> Mapping[Remedy, Callable[[Due], None]]:
        engine, player = self._show.engine, self._show.player
        return {
            Remedy.SKIP: self._skip,
            Remedy.LEAVE_OUT: lambda due: player.leave_out(due.why),
            Remedy.TIDY: lambda _due: self._chronicle.writer.let_go(),
            Remedy.REBUILD: self._rebuild,
            Remedy.REOPEN: lambda due: engine.reopen(due.why),
            Remedy.RESTART: lambda due: self._restart(due.why),
            Remedy.SILENCE: lambda due: engine.silence(f"{due.why} It stays silent until a person restarts it."),
        }

    def _skip(self, due: Due) -> None:
        engine = self._show.engine
        if (performance := engine.snapshot.performance) is not None:
            engine.leave_out(performance, due.why, FADE_S)

    def _rebuild(self, due: Due) -> None:
        if not self._show.engine.rebuild(f"The graph hangs: it returned no block. {due.why}"):
            self._chronicle.happened("watchdog", "The engine hangs outside the graph and cannot be rebuilt.")
            self._restart(due.why)
