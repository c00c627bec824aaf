"""The watchdog's rounds: looking at everything, and doing what is due."""

from __future__ import annotations

import logging
from collections.abc import Callable, Mapping
from pathlib import Path

from residue.control.surface import Surface
from residue.runtime.clock import Clock
from residue.runtime.engine import Engine
from residue.runtime.house_state import State
from residue.runtime.keeper import Keeper
from residue.runtime.planner import Planner
from residue.runtime.scribe import Scribe
from residue.runtime.timekeeper import Timekeeper
from residue.watchdog.checks import Remedy
from residue.watchdog.machine import disk_free_share, memory_bytes, temperature_c
from residue.watchdog.notify import Notifier
from residue.watchdog.vitals import Vitals
from residue.watchdog.watch import Due, Watchdog

logger = logging.getLogger(__name__)

SKIP_FADE_S = 1.0


class Rounds:
    """One look at everything, each time it is asked; systemd is told that the house lives only if frames were written.

    happened: writes into the event log: kind, text. restart: ends the process so that it is started anew.
    """

    def __init__(
        self,
        clock: Clock,
        engine: Engine,
        keeper: Keeper,
        planner: Planner,
        scribe: Scribe,
        surface: Surface,
        notifier: Notifier,
        state: Path,
        timekeeper: Timekeeper,
        happened: Callable[[str, str], None],
        restart: Callable[[str], None],
    ) -> None:
        self._clock = clock
        self._engine = engine
        self._keeper = keeper
        self._planner = planner
        self._scribe = scribe
        self._surface = surface
        self._notifier = notifier
        self._state = state
        self._timekeeper = timekeeper
        self._happened = happened
        self._restart = restart
        self._watchdog = Watchdog()
        self._frames = -1
        self._remedies: Mapping[Remedy, Callable[[Due], None]] = {
            Remedy.LOG: lambda due: None,
            Remedy.SKIP: self._skip,
            Remedy.REOPEN: lambda due: self._engine.reopen(due.why),
            Remedy.RESTART: lambda due: self._restart(due.why),
        }

    @property
    def alarms(self) -> list[str]:
        """What is wrong at present."""
        return self._watchdog.alarms

    def make(self, told: str) -> None:
        """Look, do what is due, and tell systemd; `told` is its status line."""
        for due in self._watchdog.look(self.vitals()):
            self._happened("watchdog", f"{due.check.name}: {due.why} Remedy: {due.remedy}.")
            self._remedies[due.remedy](due)
        frames = self._engine.snapshot.frames
        if frames != self._frames:
            self._notifier.tell("WATCHDOG=1", f"STATUS={told}")
        self._frames = frames

    def vitals(self) -> Vitals:
        """Everything, as it is now."""
        now, reading = self._engine.snapshot, self._engine.snapshot.reading
        return Vitals(
            monotonic_s=self._clock.monotonic_s(),
            frames=now.frames,
            late_blocks=now.late_blocks,
            lost=now.lost,
            performance=now.performance,
            may_sound=self._keeper.house.state is State.PLAYING,
            asked_peak=now.asked_peak,
            sent_peak=now.sent_peak,
            governor_db=reading.governor_db if reading else 0.0,
            cut_hops=reading.cut_hops if reading else 0,
            muted_frames=reading.muted_frames if reading else 0,
            failures=len(now.failures),
            unplayable=len(self._planner.outcome.unplayable),
            planned=self._planner.trouble is None,
            log_trouble=self._scribe.trouble,
            disk_free_share=disk_free_share(self._state),
            memory_bytes=memory_bytes(),
            too_often=self._surface.counts.too_often,
            clock_doubt=self._timekeeper.doubt,
            temperature_c=temperature_c(),
        )

    def _skip(self, due: Due) -> None:
        if (performance := self._engine.snapshot.performance) is not None:
            self._engine.leave_out(performance, due.why, SKIP_FADE_S)
