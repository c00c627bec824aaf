"""Makes the programme ready in another process, and knows which performances may be played, and their gains."""

from __future__ import annotations

import logging
import os
import subprocess
import threading
import time
from collections.abc import Callable, Sequence
from contextlib import suppress
from pathlib import Path

import msgspec

from residue.installation.load import Installation
from residue.processes import command_of
from residue.runtime.planning.giving_way import GO, PAUSE
from residue.runtime.planning.planning import Advance, Outcome, known, sources

logger = logging.getLogger(__name__)

RETRY_S = 30.0
"""The time between attempts if the planner's process itself failed, for lack of memory for example."""
LAST_RETRY_S = 3_600.0
"""The last time between attempts: performances that cannot be played are checked less and less often, because each
check reads everything.
"""
NOTHING = Outcome(gain_db={}, words={}, duration_s={}, unplayable={}, complete=False)


class Planner:
    """Starts from the last plan if its sources are unchanged, and has everything checked again meanwhile.

    in_force: gives the installation; it is called each time. due: gives the performances in the order in which the
    house plays them. outcome: the present result. advance: the present work, for a person; None when all is done.
    """

    def __init__(self, in_force: Callable[[], Installation], cache: Path, due: Callable[[], Sequence[str]]) -> None:
        self._in_force = in_force
        self._cache = cache
        self._due = due
        self._process: subprocess.Popen[bytes] | None = None
        self._paused: subprocess.Popen[bytes] | None = None
        self._ending = threading.Event()
        self._dropped = threading.Event()
        self.outcome = known(in_force(), cache) or NOTHING
        self.advance: Advance | None = None
        self.trouble: str | None = None
        self._thread = threading.Thread(target=self._run, name="planner", daemon=True)

    @property
    def busy(self) -> bool:
        """Whether it is at work, and does not only repeat an attempt."""
        return self.advance is not None and self.trouble is None

    def start(self) -> None:
        """Begins to check and plan the programme."""
        self._thread.start()

    def end(self) -> None:
        """Ends the work in progress."""
        self._ending.set()
        self._drop()

    def plan_again(self, outcome: Outcome | None = None) -> None:
        """Plans the programme again, for other hours, limits or bags; the old plan stays until then.

        outcome: a result that is already known.
        """
        self.outcome = outcome or known(self._in_force(), self._cache) or self.outcome
        self._drop()

    def check_again(self) -> None:
        """Checks and plans everything again, because a file has changed on the disk without a write."""
        self.plan_again(self.outcome)

    def give_way(self, *, pauses: bool) -> None:
        """Has the work in progress pause between two of its steps, or go on."""
        process = self._process
        if process is None or process.stdin is None or (process is self._paused) == pauses:
            return
        # It may have ended: past the buffer, nothing then waits to be written when the pipe is closed.
        with suppress(OSError, ValueError):
            os.write(process.stdin.fileno(), PAUSE if pauses else GO)
        self._paused = process if pauses else None

    def _drop(self) -> None:
        self._dropped.set()
        if self._process is not None:
            self._process.terminate()

    def _run(self) -> None:
        retry_s = RETRY_S
        while not self._ending.is_set():
            self._dropped.clear()
            outcome = self._worked_out()
            if outcome is not None and not self._dropped.is_set():
                self.outcome, self.advance, self.trouble = outcome, None, None
            if outcome is not None and not outcome.unplayable:
                self._dropped.wait()
            elif self._dropped.wait(retry_s):
                retry_s = RETRY_S
            elif outcome is not None:
                retry_s = min(2 * retry_s, LAST_RETRY_S)

    def _worked_out(self) -> Outcome | None:
        began_s = time.monotonic()
        due = [f"--due={name}" for name in self._due()]
        command = command_of("residue.runtime.planning.planning", [*sources(self._in_force()), str(self._cache), *due])
        try:
            with subprocess.Popen(command, stdout=subprocess.PIPE, stdin=subprocess.PIPE) as self._process:
                if self._dropped.is_set() or self._ending.is_set():  # while the process was being started
                    self._process.terminate()
                for line in self._process.stdout or ():
                    try:
                        told: Advance | Outcome = _TOLD.decode(line)
                    except (msgspec.MsgspecError, ValueError):
                        continue
                    if isinstance(told, Advance):
                        self.advance = told
                    elif told.complete:
                        logger.info("The programme is planned, in %.1f s.", time.monotonic() - began_s)
                        return told
                    elif not self.outcome.complete and not self._dropped.is_set():
                        self.outcome = told  # the house begins to play; a known plan of the whole programme stays
            why = f"The planner ended with status {self._process.returncode}."
        except OSError as error:  # too little memory for a process, or no descriptor for its pipe
            why = f"The planner cannot be started: {error.strerror}."
        if not self._dropped.is_set():
            self.trouble = why
            logger.error("%s It is started again in %.0f s.", self.trouble, RETRY_S)
        return None


_TOLD = msgspec.json.Decoder(Advance | Outcome)
