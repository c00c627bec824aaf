"""The page beside the house: a process of its own, begun again where it ends, and answered from the loop."""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Callable, Mapping
from contextlib import suppress
from pathlib import Path
from typing import Any

import msgspec

from residue.control.surface import Handler
from residue.installation.load import Installation
from residue.page.link import HouseAnswer, OpenSpan, PageStart, Question
from residue.page.settings import PageSettings
from residue.problems import ProblemError
from residue.processes import command_of
from residue.runtime.planning.planning import sources
from residue.runtime.system.beside_loop import in_thread
from residue.runtime.system.clock import Clock
from residue.schedule.agenda import closing_time
from residue.schedule.opening import Opening
from residue.schedule.spans import local

logger = logging.getLogger(__name__)

AGAIN_S = 60.0
"""After the page has ended: so long until it is begun again."""
_KEPT_BYTES = 4_096
WISHES = frozenset({"/house/hold/for", "/house/release", "/house/trim"})
"""The addresses of the control surface that the page may use; none makes anything louder than planned."""


class PageKeeper:
    """Keeps the page that room.toml asks for.

    in_force: gives the installation, and is asked each time. state, log: of the house. status: as in `residue status
    --json`. handlers: those of the control surface, by address. reread_age_s: since the last nightly reading.
    happened: writes into the event log: kind, text, who asked.
    """

    def __init__(
        self,
        in_force: Callable[[], Installation],
        *,
        state: Path,
        log: Path,
        clock: Clock,
        status: Callable[[], Mapping[str, Any]],
        handlers: Mapping[str, Handler],
        reread_age_s: Callable[[], float | None],
        happened: Callable[[str, str, str | None], None],
    ) -> None:
        self._in_force = in_force
        self._state = state
        self._log = log
        self._clock = clock
        self._status = status
        self._handlers = handlers
        self._reread_age_s = reread_age_s
        self._happened = happened

    async def keep(self) -> None:
        """Serve for ever; nothing where room.toml has no page."""
        settings, told = self._in_force().room.page, ""
        while settings is not None:
            try:
                why = await self._serve(self._start(settings))
            except Exception as error:  # a fault of our own; the house plays on
                logger.exception("The page cannot be served")
                why = f"{error}"
            if why != told:
                self._happened("page", f"The page has ended, and is begun again every minute. {why}", None)
            told = why
            await asyncio.sleep(AGAIN_S)

    async def answer(self, question: Question) -> HouseAnswer:
        """What the house says to a question of the page."""
        if question.ask == "refused":
            self._happened("refused", question.text, question.sender)
            return HouseAnswer()
        if question.ask in WISHES:
            try:
                self._handlers[question.ask](question.numbers, question.sender)
            except ValueError as error:
                return HouseAnswer(wrong=str(error))
            return HouseAnswer()
        today = await in_thread(self._today)  # the hours may be new, and a calendar large
        return HouseAnswer(status=dict(self._status()), today=tuple(today), reread_age_s=self._reread_age_s())

    def _today(self) -> list[OpenSpan]:
        calendar = self._in_force().calendar
        day, openings = local(self._clock.now(), calendar.zone).date(), list[Opening]()
        with suppress(ProblemError):  # the house is closed then, and an alarm says why: see Calendar
            openings = calendar.openings(day, 1)
        return [
            OpenSpan(
                opens=f"{local(opening.opens, calendar.zone):%H:%M}",
                closes=closing_time(opening, calendar.zone),
                why=opening.why,
            )
            for opening in openings
        ]

    def _start(self, settings: PageSettings) -> PageStart:
        installation = self._in_force()
        control, folder = installation.room.control, str(installation.folder)
        return PageStart(
            listen=settings.listen,
            port=settings.port,
            metrics=settings.metrics,
            networks=control.allow,
            names=settings.names,
            key=control.key,
            day_line=tuple(command_of("residue.runtime.report.day_line", [*sources(installation), str(self._log)])),
            report=tuple(command_of("residue", ["report", folder, "--state", str(self._state)])),
        )

    async def _serve(self, start: PageStart) -> str:
        """Until the process ends; returns what it said about that."""
        try:
            process = await asyncio.create_subprocess_exec(
                *command_of("residue.page.serving", []),
                stdin=asyncio.subprocess.PIPE,
                stdout=asyncio.subprocess.PIPE,
                stderr=asyncio.subprocess.PIPE,
            )
        except OSError as error:
            return f"It cannot be begun: {error.strerror}."
        complained = asyncio.create_task(last_line(process.stderr))
        try:
            await self._converse(process, start)
            await process.wait()
        finally:
            with suppress(ProcessLookupError):
                process.kill()
        return await complained or f"Its exit status was {process.returncode}."

    async def _converse(self, process: asyncio.subprocess.Process, start: PageStart) -> None:
        if process.stdin is None or process.stdout is None:
            return
        with suppress(ConnectionError):  # it has ended
            process.stdin.write(msgspec.json.encode(start) + b"\n")
            while line := await process.stdout.readline():
                answer = await self.answer(msgspec.json.decode(line, type=Question))
                process.stdin.write(msgspec.json.encode(answer) + b"\n")
                await process.stdin.drain()


async def last_line(complained: asyncio.StreamReader | None) -> str:
    """The last line of what a process says, however much it says."""
    kept = b""
    while complained is not None and (piece := await complained.read(_KEPT_BYTES)):
        kept = (kept + piece)[-_KEPT_BYTES:]
    lines = kept.decode(errors="replace").strip().splitlines()
    return lines[-1] if lines else ""
