"""The daemon: one loop that keeps house, answers, watches and logs, beside the engine's thread."""

from __future__ import annotations

import asyncio
import gc
import logging
import os
import sys
from collections import deque
from collections.abc import Callable, Mapping
from contextlib import suppress
from functools import partial
from pathlib import Path
from queue import Empty

from residue.control.addresses import SWAP_TOLD
from residue.control.feed import FeedSender
from residue.control.surface import Surface, open_surface
from residue.installation.load import Installation
from residue.mapping.playback import Playback
from residue.output.opening import routing_of, sink_opener
from residue.output.returning import ReturningSink
from residue.progress import Progress
from residue.records import encode_record
from residue.runtime.daemon.archive_monitor import ArchiveMonitor
from residue.runtime.daemon.examination import DevicePace, vitals
from residue.runtime.daemon.rounds import Rounds
from residue.runtime.daemon.status import Known, line, status
from residue.runtime.engine.engine import SWITCH_S, Engine
from residue.runtime.engine.player import Player
from residue.runtime.house.exchange import Event
from residue.runtime.house.folded_requests import FoldedRequests
from residue.runtime.house.hours_in_force import HoursInForce
from residue.runtime.house.keeper import Keeper
from residue.runtime.house.memory import Memory, memory, recalled, remembered
from residue.runtime.house.osc_handlers import handlers
from residue.runtime.house.restarts import FILE_NAME as RESTARTS_FILE
from residue.runtime.house.restarts import Restarts
from residue.runtime.house.timekeeper import Timekeeper
from residue.runtime.journal.in_force import in_force
from residue.runtime.journal.log import CUT, ENDED, FILE_NAME, STARTED, EventRow, LevelLog
from residue.runtime.journal.log import event as logged
from residue.runtime.journal.log_writer import LogWriter
from residue.runtime.journal.tallies import Circumstances, Tallies
from residue.runtime.planning.planner import Planner
from residue.runtime.planning.preparation import cap_stage, open_performance, playback_before, sounding_outputs
from residue.runtime.swap.keeper import SwapKeeper
from residue.runtime.system.clock import Clock, SystemClock, uptime
from residue.runtime.system.diagnostics import Diagnostics
from residue.runtime.system.ending_signals import ending_signals
from residue.runtime.system.files import occupied
from residue.runtime.system.folders import MEMORY_FILE, unwritten_file
from residue.schedule.switching import Switchboard
from residue.schedule.triggers import Triggers
from residue.watchdog.checks import LOOK_S, Remedy
from residue.watchdog.deadman import EXIT_STATUS, Deadman
from residue.watchdog.machine import conditions, memory_bytes
from residue.watchdog.notify import Notifier
from residue.watchdog.vitals import Vitals
from residue.watchdog.watch import Due

logger = logging.getLogger(__name__)

TICK_S = 0.25
MEMORY_S = 5.0
LINE_S = {True: 0.5, False: 5.0}
"""Between two status lines, on a terminal and elsewhere."""
LET_GO_S = 3_600.0
REQUESTS_S = 1.0
LAST_FADE_S = 1.0
STOP_S = 2.6
"""Fade, what lies in cap stage and device, and a reserve: systemd and people wait no longer than 3 s."""
SCRIBE_S = 0.3
STEP_S = 2.0
"""By so much the wall clock must have moved against the monotonic one for somebody to have set it."""
HOURS_S = 1.0
"""Between two looks at the curator's files."""
HOURS_FAULT_S = 60.0
"""After a fault of our own in looking at them: it is told once a minute, and the old hours stay in force."""
SWITCHING_S = 1.0
SHOWN_EVENTS = 20


def run(installation: Installation, *, device: str | None, for_s: float | None, state: Path, cache: Path) -> int:
    """Keep an installation running until a signal, or the end of `for_s`, ends it; returns the exit status.

    device: instead of the one in room.toml; a path in it starts from the working directory, one in room.toml from
    the state folder. Raises ProblemError where something keeps it from starting.
    """
    sys.setswitchinterval(SWITCH_S)
    with Diagnostics() as diagnostics, occupied(state):
        return asyncio.run(_Daemon(installation, device, state, cache, diagnostics).run(for_s))


class _Daemon:
    """Everything that runs, put together."""

    def __init__(
        self, installation: Installation, device: str | None, state: Path, cache: Path, diagnostics: Diagnostics
    ) -> None:
        self._installation = installation
        self._state_folder = state
        self._diagnostics = diagnostics
        self._clock: Clock = SystemClock()
        self._events: deque[EventRow] = deque(maxlen=SHOWN_EVENTS)
        self._memory_path = state / MEMORY_FILE
        self._log = LevelLog(state / FILE_NAME, unwritten_file(state))
        self._scribe = LogWriter(self._log, self._memory_path)
        self._requests = FoldedRequests(self._noted, self._clock.monotonic_s)
        # Before all that may be told: a start that does not follow an end tells that the run before was cut.
        self._happened(STARTED, f"{installation.piece.title}, {installation.room.place}")
        self._tallies = Tallies()
        self._feed = FeedSender(installation.graph.feeds, installation.room.control.feed)
        self._planner = Planner(installation, cache)
        self._engine = self._make_engine(device, state)
        self._player = Player(self._engine, self._planner, self._opener(cache))
        hours, before = installation.hours, self._remembered()
        self._hours = HoursInForce(installation, state, self._clock.now, self._happened)
        self._timekeeper = Timekeeper(hours, installation.calendar, self._clock, before.last_known)
        house = recalled(before, hours.programme, self._clock.monotonic_s())
        self._keeper = Keeper(house, hours.programme, self._timekeeper, self._clock, self._player, self._happened)
        around = (self._planner, self._engine, self._player, self._keeper, self._timekeeper)
        self._swaps = SwapKeeper(installation, cache, self._clock, *around, self._happened, self._tell_asker)
        again = self._planner.look_again
        self._custodian = ArchiveMonitor(installation, state, cache, self._clock, self._happened, again)
        self._switchboard = Switchboard(installation.room.equipment, self._happened)
        control = installation.room.control
        asked = handlers(self._asked, self._status, self._swaps.asked)
        self._surface = Surface(control, asked, self._clock.monotonic_s, partial(self._happened, "refused"))
        self._notifier = Notifier()
        self._pace = DevicePace()
        restarts = Restarts(state / RESTARTS_FILE, self._clock)
        self._rounds = Rounds(self._vitals, self._remedies(), restarts, self._notifier, self._happened)
        self._deadman = Deadman(lambda: self._engine.snapshot.frames)
        self._triggers = Triggers(self._timekeeper, self._wake, self._clock.now)
        self._ending = False
        self._exit_status = 0
        self._offset_s = self._wall_offset_s()
        self._due_s: dict[Callable[[], None], float] = {}

    # Putting together.

    def _make_engine(self, device: str | None, state: Path) -> Engine:
        outputs = sounding_outputs(self._installation)
        given = device or self._installation.room.device
        open_sink = sink_opener(given, routing_of(outputs), Path() if device else state)
        stage = cap_stage(self._installation, self._log, self._clock.now())
        return Engine(stage, ReturningSink(open_sink), len(outputs), self._feed.heard)

    def _opener(self, cache: Path) -> Callable[[str, int, Progress], Playback]:
        def opened(name: str, frame: int, progress: Progress) -> Playback:
            knots_db = self._planner.outcome.knots_db.get(name, ())
            performance = open_performance(self._installation, name, cache, progress)
            return playback_before(frame, self._installation, performance, knots_db, cache)

        return opened

    def _remembered(self) -> Memory:
        found, lost = remembered(self._memory_path.parent)
        for sentence in lost:
            self._happened("memory", sentence)
        return found

    # The loop.

    async def run(self, for_s: float | None) -> int:
        """Until somebody or something ends it."""
        self._woken = asyncio.Event()
        loop = asyncio.get_running_loop()
        for number in ending_signals():
            loop.add_signal_handler(number, self._end, f"{number.name} came")
        await self._timekeeper.ask()
        self._timekeeper.look()
        transport = await open_surface(self._installation.room.control, self._surface)
        keeping = (
            self._timekeeper.keep_asking(),
            self._keep_hours(),
            self._keep_switching(),
            self._swaps.keep(),
            self._custodian.keep(),
        )
        beside = [asyncio.create_task(one) for one in keeping]
        self._scribe.start()
        self._happened("in force", in_force(self._installation))
        for finding in self._installation.findings:
            self._happened(finding.severity, str(finding))
        self._engine.start()
        self._feed.start()
        self._planner.start()
        self._triggers.start()
        self._deadman.start()
        gc.collect()
        gc.freeze()  # what lives as long as the process need not be looked through again
        self._notifier.tell("READY=1")
        if for_s is not None:
            loop.call_later(for_s, self._end, f"{for_s:g} s are over")
        while not self._ending:
            self._safely(self._tick)
            with suppress(TimeoutError):
                await asyncio.wait_for(self._woken.wait(), TICK_S)
            self._woken.clear()
        for task in beside:
            task.cancel()
        self._finish()
        transport.close()
        return self._exit_status

    def _tick(self) -> None:
        self._watch_clock()
        self._timekeeper.look()
        self._keeper.tick()
        self._log_tallies()
        self._every(LOOK_S, self._look)
        self._every(MEMORY_S, self._write_down)
        self._every(LINE_S[self._diagnostics.terminal], self._show)
        self._every(REQUESTS_S, self._requests.look)
        self._every(LET_GO_S, self._scribe.let_go)

    def _safely(self, work: Callable[[], None]) -> None:
        """A fault of our own ends the run as quietly as any other stop; systemd begins a new one."""
        try:
            work()
        except Exception as error:
            logger.exception("The daemon failed")
            self._restart(f"The daemon failed: {error}")

    def _every(self, period_s: float, work: Callable[[], None]) -> None:
        now_s = self._clock.monotonic_s()
        if now_s >= self._due_s.get(work, 0.0):
            self._due_s[work] = now_s + period_s
            work()

    def _finish(self) -> None:
        """Fade out, let the last be heard, write everything down."""
        self._notifier.tell("STOPPING=1")
        self._safely(self._write_down)
        self._deadman.stop()
        self._planner.end()
        self._triggers.stop()
        ended = self._engine.stop(LAST_FADE_S, 0.0 if self._rounds.stands else STOP_S)
        self._swaps.end()
        self._custodian.end()
        self._requests.end()
        self._log_tallies()
        for row in self._tallies.rest():
            self._scribe.put(row)
        if ended:
            self._happened(ENDED, f"Exit status {self._exit_status}")
        else:
            self._happened(CUT, "The engine did not end; the process ends without it.")
        if not self._scribe.end(SCRIBE_S):
            logger.error("The log could not be written to its end.")
        self._notifier.close()
        if not ended:  # what hangs in the sound server would hang the interpreter's own end too
            os._exit(EXIT_STATUS)

    # What the watchdog looks at, and does.

    def _vitals(self) -> Vitals:
        now_s, engine = self._clock.monotonic_s(), self._engine.snapshot
        return vitals(
            now_s,
            engine,
            self._pace.look(now_s, engine),
            self._player.start_still_s,
            self._keeper.house.state,
            self._planner.outcome,
            self._planner.trouble,
            self._scribe.trouble,
            self._surface.counts.too_often,
            self._timekeeper.doubt,
            conditions(self._state_folder),
        )

    def _remedies(self) -> Mapping[Remedy, Callable[[Due], None]]:
        return {
            Remedy.SKIP: self._skip,
            Remedy.LEAVE_OUT: lambda due: self._player.leave_out(due.why),
            Remedy.TIDY: lambda _due: self._scribe.let_go(),
            Remedy.REBUILD: self._rebuild,
            Remedy.REOPEN: lambda due: self._engine.reopen(due.why),
            Remedy.RESTART: lambda due: self._restart(due.why),
            Remedy.SILENCE: lambda due: self._engine.silence(f"{due.why} It stays silent until a person restarts it."),
        }

    def _skip(self, due: Due) -> None:
        if (performance := self._engine.snapshot.performance) is not None:
            self._engine.leave_out(performance, due.why, LAST_FADE_S)

    def _rebuild(self, due: Due) -> None:
        if not self._engine.rebuild(f"The graph hangs: it returned no block. {due.why}"):
            self._happened("watchdog", "The engine hangs outside the graph and cannot be rebuilt.")
            self._restart(due.why)

    # What the loop does.

    def _look(self) -> None:
        self._rounds.make(line(self._known()))

    async def _keep_hours(self) -> None:
        """Beside the loop: a calendar that takes long to work out keeps nothing up."""
        while True:
            try:
                self._take_hours(await asyncio.to_thread(self._hours.look, self._clock.monotonic_s()))
            except Exception as error:
                logger.exception("The hours cannot be looked at")
                self._happened("hours", f"Changes of the hours cannot be read for now: {error}.")
                await asyncio.sleep(HOURS_FAULT_S)
            await asyncio.sleep(HOURS_S)

    def _take_hours(self, taken: Installation | None) -> None:
        if taken is not None:
            self._installation = taken
            self._timekeeper.use(taken.hours, taken.calendar)
            self._keeper.programme = taken.hours.programme
            self._planner.take(taken)
            self._swaps.installation = self._custodian.installation = taken
            self._triggers.look_again()

    async def _keep_switching(self) -> None:
        """Beside the loop: equipment that does not answer keeps nothing up."""
        while True:
            await self._switchboard.settle(self._timekeeper, self._clock.now(), self._clock.monotonic_s())
            await asyncio.sleep(SWITCHING_S)

    def _show(self) -> None:
        self._diagnostics.show(line(self._known()))

    def _write_down(self) -> None:
        last_known = self._timekeeper.known.last_known
        self._scribe.remember(
            encode_record(memory(self._keeper.house, self._player.view(), self._clock.monotonic_s(), last_known))
        )

    def _log_tallies(self) -> None:
        with suppress(Empty):
            while True:
                tally = self._engine.tallies.get_nowait()
                now, house = self._engine.snapshot, self._keeper.house
                under_way = now.performance is not None
                then = Circumstances(
                    house=house.state,
                    performance=now.performance,
                    playhead_s=now.playhead_s if under_way else None,
                    plan_gain_db=self._plan_gain_db(),
                    trim_db=house.trim_db,
                )
                for row in self._tallies.rows(tally, self._clock.now(), uptime(), then):
                    self._scribe.put(row)

    def _watch_clock(self) -> None:
        offset_s = self._wall_offset_s()
        if abs(offset_s - self._offset_s) >= STEP_S:
            self._happened("clock", f"The clock was set by {offset_s - self._offset_s:+.0f} s.")
            self._triggers.look_again()
        self._offset_s = offset_s

    # What others ask for.

    def _asked(self, event: Event) -> None:
        self._keeper.tell(event)
        self._due_s.pop(self._write_down, None)  # a power cut in the next seconds must not undo it
        self._wake()

    def _tell_asker(self, text: str) -> None:
        self._surface.tell_asker(SWAP_TOLD, text)

    def _wake(self) -> None:
        self._woken.set()

    def _end(self, why: str) -> None:
        if not self._ending:
            self._ending = True
            logger.info("Ending: %s.", why)
        self._wake()

    def _restart(self, why: str) -> None:
        self._exit_status = EXIT_STATUS
        self._end(why)

    def _happened(self, kind: str, text: str, sender: str | None = None) -> None:
        if sender is None:
            self._noted(kind, text)
        else:
            self._requests.tell(kind, text, sender)

    def _noted(self, kind: str, text: str, sender: str | None = None) -> None:
        event = logged(self._clock.now(), uptime(), kind, text, sender)
        logger.info("%s: %s", kind, text)
        self._events.append(event)
        self._scribe.put(event)

    # What is told.

    def _status(self) -> dict[str, object]:
        return status(self._known())

    def _known(self) -> Known:
        return Known(
            house=self._keeper.house,
            engine=self._engine.snapshot,
            alarms=[
                *self._rounds.alarms,
                *self._hours.alarms,
                *self._swaps.alarms,
                *self._custodian.alarms,
            ],
            events=tuple(self._events),
            ears_known=self._installation.room.levels_at_the_ear == "calibrated",
            advance=self._planner.advance,
            plan_gain_db=self._plan_gain_db(),
            memory_bytes=memory_bytes(),
            swaps=self._swaps.told,
        )

    def _plan_gain_db(self) -> float | None:
        performance = self._engine.snapshot.performance
        return None if performance is None else self._planner.outcome.gain_db.get(performance)

    def _wall_offset_s(self) -> float:
        return self._clock.now().timestamp() - self._clock.monotonic_s()
