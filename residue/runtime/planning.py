"""Making a whole programme ready to play: what the planner's own process does.

    python -m residue.runtime.planning INSTALLATION CACHE

Tells how far it has come in lines of JSON on standard output; the last one is the outcome.
"""

from __future__ import annotations

import os
import sys
import time
from collections.abc import Callable
from pathlib import Path

import msgspec

from residue.archive.fixity import verify
from residue.installation.load import Installation, load
from residue.problems import ProblemError, Severity
from residue.progress import Progress, silent
from residue.runtime.preparation import level_profile, open_performance, plan_programme

NICENESS = 15
"""Below everything that anybody waits for; whatever the planner does, the engine goes first."""
_TELL_EVERY_S = 0.5


class Outcome(msgspec.Struct, frozen=True, kw_only=True, tag=True):
    """What can be played, how loud, and what cannot and why."""

    gain_db: dict[str, float]
    words: dict[str, str]
    duration_s: dict[str, float]
    unplayable: dict[str, str]


class Advance(msgspec.Struct, frozen=True, kw_only=True, tag=True):
    """How far the work has come."""

    performance: str
    what: str
    share: float


def make_ready(
    installation: Installation, cache: Path, progress: Callable[[str], Progress] = lambda name: silent
) -> Outcome:
    """Check, prepare and plan all performances of the programme; those that cannot be played are left out of the plan.

    progress: by performance, told of the work on it.
    """
    names = installation.played
    unplayable: dict[str, str] = {}
    duration_s: dict[str, float] = {}
    for name in names:
        try:
            findings = verify(installation.performances[name], progress(name))
            if any(finding.severity is Severity.STOPS for finding in findings):
                raise ProblemError(findings)
            performance = open_performance(installation, name, cache, progress(name))
            duration_s[name] = level_profile(installation, performance, cache, progress(name)).duration_s
        except ProblemError as error:
            unplayable[name] = str(error)
    playable = [name for name in names if name not in unplayable]
    planned = plan_programme(installation, playable, cache).performances if playable else ()
    return Outcome(
        gain_db={performance.name: performance.gain_db for performance in planned},
        words={performance.name: performance.words for performance in planned},
        duration_s=duration_s,
        unplayable=unplayable,
    )


def _teller(name: str) -> Progress:
    last_s = 0.0

    def told(what: str, done: int, total: int) -> None:
        nonlocal last_s
        if time.monotonic() - last_s >= _TELL_EVERY_S:
            last_s = time.monotonic()
            _tell(Advance(performance=name, what=what, share=done / total if total else 1.0))

    return told


def _tell(told: Advance | Outcome) -> None:
    sys.stdout.write(msgspec.json.encode(told).decode() + "\n")
    sys.stdout.flush()


def main() -> None:
    """The planner's process."""
    os.nice(NICENESS)
    folder, cache = map(Path, sys.argv[1:3])
    _tell(make_ready(load(folder), cache, _teller))


if __name__ == "__main__":
    main()
