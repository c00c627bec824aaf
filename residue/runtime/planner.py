"""Has the programme made ready by another process, and knows what may be played, and how loud."""

from __future__ import annotations

import hashlib
import logging
import subprocess
import sys
import threading
import time
from pathlib import Path

import msgspec

from residue.archive.bag import payload_digest
from residue.installation.load import Installation
from residue.problems import ProblemError
from residue.runtime.files import replace_file
from residue.runtime.planning import Advance, Outcome
from residue.runtime.preparation import profile_key

logger = logging.getLogger(__name__)

RETRY_S = 30.0
"""Between attempts when the planner's process itself failed: out of memory, say."""
LAST_RETRY_S = 3_600.0
"""What cannot be played is looked at again, for it may have been mended; ever less often, as that reads everything."""
NOTHING = Outcome(gain_db={}, words={}, duration_s={}, unplayable={})


class Planner:
    """Starts from the last plan if nothing it rests on has changed, and has everything checked anew meanwhile.

    outcome: what is known at present. advance: what is being worked on, for a person; None when all is done.
    """

    def __init__(self, installation: Installation, cache: Path) -> None:
        self._installation = installation
        self._cache = cache
        self._process: subprocess.Popen[bytes] | None = None
        self._ending = threading.Event()
        self._dropped = threading.Event()
        self.outcome = self._known() or NOTHING
        self.advance: Advance | None = None
        self.trouble: str | None = None
        self._thread = threading.Thread(target=self._run, name="planner", daemon=True)

    def start(self) -> None:
        """Have the programme checked and planned."""
        self._thread.start()

    def end(self) -> None:
        """Stop what is being worked on."""
        self._ending.set()
        self._drop()

    def take(self, installation: Installation) -> None:
        """Have it planned anew for other hours; what is known stays until that is done."""
        self._installation = installation
        self.outcome = self._known() or self.outcome
        self._drop()

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
                self._keep(outcome)
            if outcome is not None and not outcome.unplayable:
                self._dropped.wait()
            elif self._dropped.wait(retry_s):
                retry_s = RETRY_S
            elif outcome is not None:
                retry_s = min(2 * retry_s, LAST_RETRY_S)

    def _worked_out(self) -> Outcome | None:
        began_s = time.monotonic()
        command = [sys.executable, "-m", "residue.runtime.planning", str(self._installation.folder), str(self._cache)]
        with subprocess.Popen(command, stdout=subprocess.PIPE, stdin=subprocess.DEVNULL) as self._process:
            for line in self._process.stdout or ():
                try:
                    told = _TOLD.decode(line)
                except msgspec.DecodeError:
                    continue
                if isinstance(told, Outcome):
                    logger.info("The programme is planned, in %.1f s.", time.monotonic() - began_s)
                    return told
                self.advance = told
        if not self._dropped.is_set():
            self.trouble = f"The planner ended with status {self._process.returncode}."
            logger.error("%s It is started again in %.0f s.", self.trouble, RETRY_S)
        return None

    def _known(self) -> Outcome | None:
        try:
            return msgspec.json.decode(self._path().read_bytes(), type=Outcome)
        except (OSError, msgspec.DecodeError, ProblemError):
            return None

    def _keep(self, outcome: Outcome) -> None:
        """Only a plan for the whole programme: one that lacks something is made anew at the next start."""
        if outcome.unplayable:
            return
        try:
            replace_file(self._path(), msgspec.json.encode(outcome))
        except (OSError, ProblemError) as error:
            logger.warning("The plan cannot be kept for the next start: %s", error)

    def _path(self) -> Path:
        """Named by everything that the plan follows from. Raises ProblemError."""
        hours = self._installation.hours
        digests = [payload_digest(self._installation.performances[name]) for name in hours.performances]
        keys = [profile_key(self._installation, digest) for digest in digests]
        named = msgspec.json.encode((keys, hours.programme))
        return self._cache / "plans" / f"{hashlib.sha256(named).hexdigest()}.json"


_TOLD = msgspec.json.Decoder(Advance | Outcome)
