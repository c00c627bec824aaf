"""The daemon: one loop that runs the house, answers, watches and logs, beside the engine's thread."""

from __future__ import annotations

import asyncio
import logging
import os
import sys
from collections.abc import Callable, Coroutine, Mapping
from contextlib import suppress
from functools import partial
from typing import Any

from residue.control.addresses import SWAP_TOLD
from residue.control.feed import FeedSender
from residue.control.keypad import KeyBinding
from residue.control.surface import Surface, open_surface
from residue.installation.load import Installation
from residue.loudness.calibration.check_tone import check_tone
from residue.mapping.playback import Signals
from residue.mapping.signals import Span
from residue.notices.bulletin import SentFrom
from residue.notices.messenger import Facts
from residue.problems import ProblemError, nearest, stops
from residue.records import encode_record
from residue.runtime.calibration.own_calibration import check_own_calibrations
from residue.runtime.daemon.archive_monitor import NIGHT, ArchiveMonitor
from residue.runtime.daemon.assembly import Places, show_of
from residue.runtime.daemon.calendar_keeper import CalendarKeeper
from residue.runtime.daemon.caps_log import CapsLog
from residue.runtime.daemon.chronicle import Chronicle
from residue.runtime.daemon.hours_log import HoursLog
from residue.runtime.daemon.keypad import KeypadKeeper, event_of
from residue.runtime.daemon.notices import Notices
from residue.runtime.daemon.page import PageKeeper
from residue.runtime.daemon.proof import ProofKeeper
from residue.runtime.daemon.status import Known, faults, line, status
from residue.runtime.daemon.step_log import StepLog
from residue.runtime.daemon.step_state import StepState, step_state
from residue.runtime.daemon.watching import Watching
from residue.runtime.engine.engine import SWITCH_S
from residue.runtime.engine.lamps import lamps_of
from residue.runtime.engine.show import Show
from residue.runtime.house.exchange import Event
from residue.runtime.house.hours_answer import HoursAnswer
from residue.runtime.house.house_state import State
from residue.runtime.house.in_force import Change, InForce
from residue.runtime.house.memory import Memory, alive_at, memory, remembered
from residue.runtime.house.osc_handlers import handlers
from residue.runtime.journal.event_kinds import CUT, ENDED, STARTED
from residue.runtime.journal.in_force_digest import in_force
from residue.runtime.journal.log import FILE_NAME, LevelLog
from residue.runtime.journal.log_writer import LogWriter
from residue.runtime.planning.preparation import caps, sounding_outputs
from residue.runtime.swap.keeper import SwapKeeper
from residue.runtime.system.beside_loop import in_thread, kept_up
from residue.runtime.system.clock import SystemClock, uptime
from residue.runtime.system.diagnostics import Diagnostics
from residue.runtime.system.discipline import discipline
from residue.runtime.system.ending_signals import ending_signals
from residue.runtime.system.files import occupied
from residue.runtime.system.folders import MEMORY_FILE, ended_file
from residue.runtime.system.garbage import spare_what_is_there
from residue.runtime.system.started_by import note_end
from residue.schedule.spans import local
from residue.schedule.switching import Switchboard
from residue.schedule.triggers import Period, Trigger, Triggers, fixed_start, nightly
from residue.watchdog.checks import LOOK_S
from residue.watchdog.deadman import EXIT_STATUS
from residue.watchdog.machine import memory_bytes

logger = logging.getLogger(__name__)

TICK_S = 0.25
MEMORY_S = 5.0
LINE_S = {True: 0.5, False: 5.0}
"""The time between two status lines, on a terminal and elsewhere."""
TRIM_LOG_S = 3_600.0
REQUESTS_S = 1.0
LAST_FADE_S = 1.0
STOP_S = 2.6
"""Time for the fade, for the sound in cap stage and device, and a reserve: systemd and people wait no longer than 3
s.
"""
STEP_S = 2.0
"""If the wall clock moves by so much relative to the monotonic clock, somebody has set it."""
FILES_S = 1.0
"""The time between two checks of the files of the installation."""
FILES_FAULT_S = 60.0
"""After a fault of our own in reading them, it is reported once a minute, and the files in force stay."""
SWITCHING_S = 1.0


def run(installation: Installation, places: Places, *, for_s: float | None) -> int:
    """Runs an installation until a signal or the end of `for_s`; returns the exit status.

    Raises ProblemError where it cannot start.
    """
    device = places.device or installation.room.device
    if stops(foreign := check_own_calibrations(device, sounding_outputs(installation))):
        raise ProblemError(foreign)
    sys.setswitchinterval(SWITCH_S)
    with Diagnostics() as diagnostics, occupied(places.state):
        return asyncio.run(_Daemon(installation, places, diagnostics).run(for_s))


class _Daemon:
    """Everything that runs, put together."""

    def __init__(self, installation: Installation, places: Places, diagnostics: Diagnostics) -> None:
        state, clock = places.state, SystemClock()
        self._places = places
        self._clock = clock
        self._diagnostics = diagnostics
        log = LevelLog(state / FILE_NAME)
        self._chronicle = Chronicle(LogWriter(log, state / MEMORY_FILE), clock)
        happened = self._chronicle.happened
        # This must be the first event: a start that does not follow an end shows that the run before was interrupted.
        happened(STARTED, f"{installation.piece.title}, {installation.room.place}")
        self._in_force = InForce(installation, state, clock.now, happened)
        self._hours_log = HoursLog(self._chronicle.writer.put, clock)
        self._caps_log = CapsLog(self._chronicle.writer.put, clock)
        self._step_log = StepLog(happened)
        self._hours_answer = HoursAnswer()
        self._calendar = CalendarKeeper(installation.room.hours_folder, happened)
        self._keypad = KeypadKeeper(installation.room.keypad, happened)
        self._feed = FeedSender(installation.graph.feeds, installation.room.control.feed)
        self._light = lamps_of(self._in_force(), happened)
        self._show = show_of(
            self._in_force,
            places,
            clock,
            before=self._remembered(),
            log=log,
            log_lags=self._chronicle.writer.lags,
            heard=self._heard,
            sent=lambda *sent: self._proof.watch.sent(*sent),
            happened=happened,
        )
        self._proof = ProofKeeper(self._show, state, happened)
        self._swaps = SwapKeeper(self._show, places.cache, happened, self._tell_asker)
        spoilt = self._show.planner.check_again
        self._archive = ArchiveMonitor(self._in_force, state, places.cache, clock, happened, spoilt)
        self._switchboard = Switchboard(installation.room.equipment, happened)
        self._notices = Notices(self._in_force, state, state / FILE_NAME, clock, happened)
        asked = handlers(self._asked, self._status, swap=self._swaps.asked, tone=self._tone)
        self._surface = Surface(installation.room.control, asked, clock.monotonic_s, partial(happened, "refused"))
        self._page = PageKeeper(
            self._in_force,
            state=state,
            log=state / FILE_NAME,
            clock=clock,
            status=self._status,
            handlers=asked,
            reread_age_s=lambda: self._archive.reread_age_s,
            happened=happened,
        )
        self._watching = Watching(self._show, state, self._chronicle, self._surface, self._restart)
        self._triggers = Triggers(self._all_triggers(self._show), clock.now)
        self._ending = False
        self._exit_status = 0
        self._offset_s = self._wall_offset_s()
        self._due_s: dict[Callable[[], None], float] = {}

    def _heard(self, span: Span, signals: Signals, heard_at_s: float) -> None:
        """Passes a block of the piece on to all that follow it, without waiting."""
        self._feed.heard(span, signals, heard_at_s)
        self._light.heard(span, signals, heard_at_s)

    def _remembered(self) -> Memory:
        found, lost = remembered(self._places.state)
        for sentence in lost:
            self._chronicle.happened("memory", sentence)
        return found

    def _all_triggers(self, show: Show) -> list[Trigger]:
        """Triggers at known moments; the loop itself finds the actions that are due then."""
        hours, night = show.timekeeper, round(NIGHT.total_seconds() / 60)
        trimming = Period(TRIM_LOG_S, show.clock.monotonic_s)
        return [
            Trigger("opening or closing", hours.next_change, self._wake),
            Trigger("start", lambda now: fixed_start(hours, self._in_force().hours.programme, now), self._wake),
            Trigger("nightly reading", lambda now: nightly(night, hours, now), self._archive.wake),
            Trigger("log trimming", trimming.due, self._chronicle.writer.let_go),
        ]

    # The loop.

    async def run(self, for_s: float | None) -> int:
        """Runs until a person, a signal or a fault ends it."""
        self._woken = asyncio.Event()
        self._loop = loop = asyncio.get_running_loop()
        for number in ending_signals():
            loop.add_signal_handler(number, self._end, f"{number.name} came")
        await self._show.timekeeper.ask()
        self._show.timekeeper.look()
        self._keypad.start(self._pressed_elsewhere)
        transport = await open_surface(self._in_force().room.control, self._surface)
        beside = [asyncio.create_task(kept_up(one, self._chronicle.happened)) for one in self._beside()]
        self._begin()
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

    def _beside(self) -> list[Callable[[], Coroutine[Any, Any, None]]]:
        """The work beside the loop, because it may be slow."""
        return [
            self._show.timekeeper.keep_asking,
            self._keep_files,
            self._calendar.keep,
            self._keep_switching,
            self._swaps.keep,
            self._archive.keep,
            self._page.keep,
            self._proof.keep,
            self._proof.watch.keep,
        ]

    def _begin(self) -> None:
        self._chronicle.writer.start()
        self._chronicle.happened("in force", in_force(self._in_force()))
        for finding in self._in_force().findings:
            self._chronicle.happened(finding.severity, str(finding))
        spare_what_is_there()  # before the engine's thread lives, since nothing else runs meanwhile
        self._show.engine.start()
        self._feed.start()
        self._light.start()
        self._show.planner.start()
        self._notices.start()
        self._triggers.start()
        self._watching.deadman.start()
        self._watching.notifier.tell("READY=1")

    def _tick(self) -> None:
        self._watch_clock()
        self._show.timekeeper.look()
        self._show.keeper.lowered_db = self._proof.lowered_db
        self._show.keeper.tick()
        self._light.permit(plays=self._show.keeper.house.state is State.PLAYING)
        self._show.player.follow_plan()
        self._watching.give_way()
        self._chronicle.log_sent(self._show)
        self._every(LOOK_S, self._look)
        self._every(MEMORY_S, self._write_down)
        self._every(REQUESTS_S, self._chronicle.fold)
        self._every(LINE_S[self._diagnostics.terminal], self._print_line)

    def _safely(self, work: Callable[[], None]) -> None:
        """After a fault of our own the run ends with a fade, like any other stop; systemd begins a new one."""
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
        """Fades out, waits until the last sound is heard, and logs everything."""
        self._watching.notifier.tell("STOPPING=1")
        self._light.darken()
        self._safely(self._write_down)
        self._watching.deadman.stop()
        self._show.planner.end()
        self._triggers.stop()
        ended = self._show.engine.stop(LAST_FADE_S, 0.0 if self._watching.rounds.stands else STOP_S)
        self._swaps.end()
        self._archive.end()
        self._keypad.end()
        self._light.end()
        self._notices.end()
        self._step_log.end()
        self._chronicle.log_rest(self._show)
        if ended:
            self._chronicle.happened(ENDED, f"Exit status {self._exit_status}")
        else:
            self._chronicle.happened(CUT, "The engine did not end; the process ends without it.")
        self._chronicle.end()
        self._watching.notifier.close()
        if not ended:  # a thread that hangs in the sound server would also block the interpreter's own end
            os._exit(EXIT_STATUS)
        if self._exit_status == 0:
            note_end(ended_file(self._places.state))

    # What the loop does.

    def _look(self) -> None:
        known = self._known()
        opens = None if known.opening is None else known.opening.opens
        self._step_log.look(known.step, opens, local(known.now, known.zone), known.monotonic_s)
        self._watching.rounds.make(line(known))
        self._notices.tell(Facts(SentFrom(known.piece, known.place, known.zone), faults(known)))

    async def _keep_files(self) -> None:
        """Checks the files beside the loop, so that a slow calendar does not delay it."""
        while True:
            try:
                change = await in_thread(self._in_force.look, self._clock.monotonic_s())
                if change is not None:
                    self._take(change, await in_thread(in_force, change.installation))  # it reads each file and bag
                await in_thread(self._tell_in_force, self._show.player.view().duration_s)
            except Exception as error:
                logger.exception("The files of the installation cannot be looked at")
                self._chronicle.happened("files", f"Changes of the files cannot be read for now: {error}.")
                await asyncio.sleep(FILES_FAULT_S)
            await asyncio.sleep(FILES_S)

    def _tell_in_force(self, duration_s: Mapping[str, float]) -> None:
        """Logs the caps and the hours in force, and answers the curator."""
        in_force, outcome = self._in_force(), self._in_force.hours_outcome
        self._caps_log.look(in_force)
        self._hours_log.look(in_force, duration_s)
        self._hours_answer.look(in_force, outcome, self._clock.now(), self._calendar.words)

    def _take(self, change: Change, words: str) -> None:
        self._in_force.take(change)
        if change.limits:
            self._show.engine.tighten(sounding_outputs(change.installation), caps(change.installation))
        self._chronicle.happened("in force", words)
        self._show.planner.plan_again()
        self._triggers.look_again()

    async def _keep_switching(self) -> None:
        """Switches equipment beside the loop, so that equipment without an answer does not delay it."""
        while True:
            await self._switchboard.settle(self._show.timekeeper, self._clock.now(), self._clock.monotonic_s())
            await asyncio.sleep(SWITCHING_S)

    def _print_line(self) -> None:
        self._diagnostics.show(line(self._known()))

    def _write_down(self) -> None:
        show, now_s = self._show, self._clock.monotonic_s()
        alive, last_known = alive_at(self._clock.now(), uptime()), show.timekeeper.known.last_known
        held = memory(show.keeper.house, show.player.view(), now_s, last_known=last_known, alive=alive)
        self._chronicle.writer.remember(encode_record(held))

    def _watch_clock(self) -> None:
        offset_s = self._wall_offset_s()
        if abs(offset_s - self._offset_s) >= STEP_S:
            self._chronicle.happened("clock", f"The clock was set by {offset_s - self._offset_s:+.0f} s.")
            self._triggers.look_again()
        self._offset_s = offset_s

    def _wall_offset_s(self) -> float:
        return self._clock.now().timestamp() - self._clock.monotonic_s()

    # Requests.

    def _asked(self, event: Event) -> str:
        answer = self._show.keeper.tell(event)
        self._due_s.pop(self._write_down, None)  # a power cut in the next seconds must not undo it
        self._wake()
        return answer

    def _pressed_elsewhere(self, binding: KeyBinding) -> None:
        """A key of the keypad, whose thread is not the loop's."""
        self._loop.call_soon_threadsafe(self._pressed, binding)

    def _pressed(self, binding: KeyBinding) -> None:
        self._asked(event_of(binding, held=self._show.keeper.house.held_by is not None))

    def _tone(self, output: str, sender: str) -> None:
        """Makes an output play its number. Raises ValueError, for the person who asked, where that is not possible."""
        outputs, engine = sounding_outputs(self._in_force()), self._show.engine
        if output not in outputs:
            raise ValueError(f'There is no output "{output}". {nearest(output, outputs)}')
        if engine.snapshot.performance is not None or engine.snapshot.tone:
            raise ValueError("Something sounds. Hold the house first, or wait until it is silent.")
        engine.sound_tone(check_tone(outputs, output))
        self._chronicle.happened("tone", f"{output} counts its number, asked for by {sender}.", sender)

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

    # Reports.

    def _status(self) -> dict[str, object]:
        return status(self._known())

    def _step_state(self) -> StepState | None:
        show, asked = self._show, self._in_force().room.in_step
        if asked is None:
            return None
        open_now = show.timekeeper.opening_at(self._clock.now()) is not None
        timetable, digest = show.keeper.timetable, show.planner.outcome.digest
        return step_state(asked, show.engine.snapshot, discipline(), timetable, digest, open_now=open_now)

    def _known(self) -> Known:
        show, now, installation, step = self._show, self._clock.now(), self._in_force(), self._step_state()
        opening = show.timekeeper.opening_at(now)
        return Known(
            now=now,
            folder=installation.folder.resolve(),
            piece=installation.piece.title,
            place=installation.room.place,
            zone=show.timekeeper.zone,
            opening=opening,
            next_change=show.timekeeper.next_change(now) if opening is None else show.timekeeper.closing(opening),
            house=show.keeper.house,
            monotonic_s=self._clock.monotonic_s(),
            engine=show.engine.snapshot,
            disturbances=self._watching.disturbances,
            started_s=show.started_s,
            assumed=show.assumed,
            alarms=[
                *self._watching.rounds.alarms,
                *self._in_force.alarms,
                *(one.alarm for one in (self._hours_answer, self._calendar, self._keypad, self._light) if one.alarm),
                *self._swaps.alarms,
                *self._proof.alarms,
                *self._archive.alarms,
                *([step.fault] if step is not None and step.fault is not None else []),
            ],
            step=step,
            events=self._chronicle.events,
            ears_known=installation.room.levels_at_the_ear == "calibrated",
            advance=show.planner.advance,
            plan=show.planner.outcome,
            memory_bytes=memory_bytes(),
            swaps=self._swaps.told,
            light=self._light.told,
            proof=self._proof.told,
        )
