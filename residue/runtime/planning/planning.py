"""Making a whole programme ready to play: what the planner's own process does.

    python -m residue.runtime.planning.planning INSTALLATION IN_FORCE CACHE [NAME=BAG]

IN_FORCE is the folder of the files in force. NAME=BAG plans as if that bag stood in the place of that performance.
Tells how far it has come in lines of JSON on standard output; the last one is the outcome, which is kept for the next
start. What makes it impossible goes to standard error, with exit status 1.
"""

from __future__ import annotations

import hashlib
import os
import sys
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import replace
from pathlib import Path

import msgspec

from residue.archive.bag import payload_digest
from residue.archive.fixity import verify
from residue.archive.prepared import prepared_folder
from residue.installation.load import ROOM, Installation, load
from residue.loudness.plan.plan import Plan
from residue.loudness.plan.profile import LevelProfile
from residue.problems import ProblemError, stops
from residue.progress import Progress, silent
from residue.records import SpoiltRecordError, encode_record, read_record
from residue.runtime.planning.cache_size import tidy
from residue.runtime.planning.preparation import (
    CHANNELS,
    caps,
    checkpoints_path,
    level_profile,
    open_performance,
    plan_under,
    profile_key,
    profile_path,
)
from residue.runtime.system.files import replace_file

NICENESS = 15
"""Below everything that anybody waits for; whatever the planner does, the engine goes first."""
_TELL_EVERY_S = 0.5


class Outcome(msgspec.Struct, frozen=True, kw_only=True, tag=True):
    """The result of planning: performances that can play, their gains, and the others with the reason."""

    gain_db: dict[str, float]
    words: dict[str, str]
    duration_s: dict[str, float]
    unplayable: dict[str, str]
    knots_db: dict[str, tuple[float, ...]] = {}
    """What is lowered on top, one a minute, of performances whose arc is shaped."""


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
    profiles: dict[str, LevelProfile] = {}
    for name in names:
        try:
            findings = verify(installation.performances[name], progress(name))
            if stops(findings):
                raise ProblemError(findings)
            performance = open_performance(installation, name, cache, progress(name))
            profiles[name] = level_profile(installation, performance, cache, progress(name))
        except ProblemError as error:
            unplayable[name] = str(error)
    plan = plan_under(installation, profiles, caps(installation)) if profiles else Plan(())
    return outcome_of(plan, {name: held.duration_s for name, held in profiles.items()}, unplayable)


def sources(installation: Installation) -> list[str]:
    """What tells a process of its own which installation is in force: its folder, and where its files are read."""
    return [str(installation.folder), str(installation.places[ROOM])]


def outcome_of(plan: Plan, duration_s: Mapping[str, float], unplayable: Mapping[str, str]) -> Outcome:
    """The result of a plan, as the house needs it."""
    return Outcome(
        gain_db={performance.name: performance.gain_db for performance in plan.performances},
        words={performance.name: performance.words for performance in plan.performances},
        duration_s=dict(duration_s),
        unplayable=dict(unplayable),
        knots_db={performance.name: performance.knots_db for performance in plan.performances if performance.knots_db},
    )


def known(installation: Installation, cache: Path) -> Outcome | None:
    """The outcome that was kept, if nothing that it rests on has changed since."""
    try:
        return read_record(_place(installation, cache), Outcome)
    except (OSError, SpoiltRecordError, ProblemError):
        return None


def keep(outcome: Outcome, installation: Installation, cache: Path) -> None:
    """Only a plan for the whole programme: one that lacks something is made anew at the next start."""
    if outcome.unplayable:
        return
    try:
        replace_file(_place(installation, cache), encode_record(outcome))
    except (OSError, ProblemError) as error:
        sys.stderr.write(f"The plan cannot be kept for the next start: {error}\n")


def _place(installation: Installation, cache: Path) -> Path:
    """Named by everything that the plan follows from. Raises ProblemError."""
    digests = [payload_digest(installation.performances[name]) for name in installation.played]
    keys = [profile_key(installation, digest) for digest in digests]
    events = installation.answers.events
    named = msgspec.json.encode((keys, installation.hours, events and events.digest))
    return cache / "plans" / f"{hashlib.sha256(named).hexdigest()}.json"


def _needed(installation: Installation, cache: Path) -> Iterator[Path]:
    """Files and folders in the cache that the programme needs."""
    for name in installation.played:
        with suppress(ProblemError):  # a bag that cannot be read needs nothing
            digest = payload_digest(installation.performances[name])
            yield prepared_folder(cache / CHANNELS, digest)
            yield profile_path(installation, digest, cache)
            yield checkpoints_path(installation, digest, cache)
    with suppress(ProblemError):
        yield _place(installation, cache)


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
    """Runs the planner in a process of its own."""
    os.nice(NICENESS)
    folder, in_force, cache = map(Path, sys.argv[1:4])
    try:
        installation = _instead(load(folder, in_force), sys.argv[4:])
    except ProblemError as error:
        sys.exit(str(error))
    outcome = make_ready(installation, cache, _teller)
    keep(outcome, installation, cache)
    _tell(outcome)
    tidy(cache, set(_needed(installation, cache)))


def _instead(installation: Installation, swaps: Sequence[str]) -> Installation:
    """The installation with other bags in the places of some performances, each NAME=BAG."""
    bags = {name: Path(bag) for name, _, bag in (swap.partition("=") for swap in swaps)}
    return replace(installation, performances={**installation.performances, **bags})


if __name__ == "__main__":
    main()
