"""Makes a whole programme ready to play, in the planner's own process.

    python -m residue.runtime.planning.planning INSTALLATION IN_FORCE CACHE [--due NAME] … [NAME=BAG] …

IN_FORCE is the folder of the files in force. The performances of --due are made ready first, in this order.
NAME=BAG plans as if that bag replaced that performance. It writes its progress to standard output as lines of JSON,
with an outcome after each performance. The last outcome is the whole one, which is kept for the next start. If planning
is impossible, the reason goes to standard error, with exit status 1. On standard input it is told to pause
(giving_way.py).
"""

from __future__ import annotations

import hashlib
import signal
import sys
import time
from argparse import ArgumentParser
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import replace
from enum import Enum
from pathlib import Path

import msgspec

from residue.archive.bag import payload_digest
from residue.archive.fixity import verify
from residue.archive.prepared import prepared_folder
from residue.installation.load import ROOM, Installation, load
from residue.loudness.plan.plan import Lowering, Plan
from residue.loudness.plan.profile import LevelProfile
from residue.problems import ProblemError, stops
from residue.processes import PLANS, give_way
from residue.progress import Progress, silent
from residue.records import SpoiltRecordError, encode_record, read_record
from residue.runtime.planning.cache_size import tidy
from residue.runtime.planning.giving_way import PlannerGate
from residue.runtime.planning.preparation import (
    CHANNELS,
    caps,
    checkpoint_folders,
    level_profile,
    levels_path,
    open_performance,
    plan_under,
    profile_key,
)
from residue.runtime.system.files import replace_file

_TELL_EVERY_S = 0.5
_SURE_FROM = 0.05
"""The share of the work before which the remaining time is not estimated."""


class Outcome(msgspec.Struct, frozen=True, kw_only=True, tag=True):
    """The result of planning: performances that can play, their gains, and the others with the reason."""

    gain_db: dict[str, float]
    words: dict[str, str]
    duration_s: dict[str, float]
    unplayable: dict[str, str]
    digest: dict[str, str] = {}
    """The digests of the planned bags: the SHA-256 of their payload manifests."""
    lowering: dict[str, Lowering] = {}
    """The further attenuation of performances, where there is some."""
    complete: bool = True
    """Whether it covers the whole programme; if not, some performances are still being made ready."""


class Advance(msgspec.Struct, frozen=True, kw_only=True, tag=True):
    """The progress of the work."""

    performance: str
    what: str
    share: float
    """The finished share of the work on this performance, 0 to 1."""
    left_s: float | None
    """The estimated rest of the work on this performance; None while it is not known."""
    number: int
    """The number of this performance in the programme, from 1."""
    count: int
    """The number of performances in the programme."""


class Work(Enum):
    """The steps of the work on one performance. The value is the usual share of the time (measured on both demos)."""

    FIXITY = 0.05
    CHANNELS = 0.15
    LEVELS = 0.80


def make_ready(
    installation: Installation,
    cache: Path,
    *,
    due: Sequence[str] = (),
    progress: Callable[[str, Work], Progress] = lambda name, work: silent,
    told: Callable[[Outcome], None] = lambda outcome: None,
) -> Outcome:
    """Checks, prepares and plans all performances of the programme; the plan omits those that cannot be played.

    due: performances to be made ready first, in this order. progress: called for the work on each performance and step.
    told: called with an incomplete outcome after each performance but the last, so that the house can begin to play.
    """
    names = order_of_work(installation.played, due)
    unplayable: dict[str, str] = {}
    profiles: dict[str, LevelProfile] = {}
    digests: dict[str, str] = {}

    def planned() -> Outcome:
        plan = plan_under(installation, profiles, caps(installation)) if profiles else Plan(())
        return outcome_of(plan, {name: one.duration_s for name, one in profiles.items()}, unplayable, digests)

    for name in names:
        try:
            findings = verify(installation.performances[name], progress(name, Work.FIXITY))
            if stops(findings):
                raise ProblemError(findings)
            performance = open_performance(installation, name, cache, progress(name, Work.CHANNELS))
            profiles[name] = level_profile(installation, performance, cache, progress(name, Work.LEVELS))
            digests[name] = performance.digest
        except ProblemError as error:
            unplayable[name] = str(error)
        if name != names[-1]:
            told(msgspec.structs.replace(planned(), complete=False))
    return planned()


def order_of_work(played: Sequence[str], due: Sequence[str]) -> list[str]:
    """The performances of the programme, those that are due first before the others."""
    return [*(name for name in dict.fromkeys(due) if name in played), *(name for name in played if name not in due)]


def sources(installation: Installation) -> list[str]:
    """The arguments that name the installation in force for another process: its folder, and its files' places."""
    return [str(installation.folder), str(installation.places[ROOM])]


def outcome_of(
    plan: Plan, duration_s: Mapping[str, float], unplayable: Mapping[str, str], digest: Mapping[str, str]
) -> Outcome:
    """The result of a plan, as the house needs it."""
    return Outcome(
        gain_db={performance.name: performance.gain_db for performance in plan.performances},
        words={performance.name: performance.words for performance in plan.performances},
        duration_s=dict(duration_s),
        unplayable=dict(unplayable),
        digest=dict(digest),
        lowering={one.name: one.lowering for one in plan.performances if one.knots_db or one.alone},
    )


def known(installation: Installation, cache: Path) -> Outcome | None:
    """The kept outcome, if its sources have not changed since."""
    try:
        return read_record(_place(installation, cache), Outcome)
    except (OSError, SpoiltRecordError, ProblemError):
        return None


def keep(outcome: Outcome, installation: Installation, cache: Path) -> None:
    """Keeps the plan if it is for the whole programme; an incomplete one is made again at the next start."""
    if outcome.unplayable:
        return
    try:
        replace_file(_place(installation, cache), encode_record(outcome))
    except (OSError, ProblemError) as error:
        sys.stderr.write(f"The plan cannot be kept for the next start: {error}\n")


def _place(installation: Installation, cache: Path) -> Path:
    """The file of the outcome, named by all sources of the plan. Raises ProblemError."""
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
            yield levels_path(installation, digest, cache)
            yield from checkpoint_folders(installation, digest, cache)
    with suppress(ProblemError):
        yield _place(installation, cache)


class Teller:
    """Reports the progress of the work on each performance, at most twice a second.

    count: the number of performances in the programme. tell: called with each advance. wait: called between two steps;
    it may hold the work up.
    """

    def __init__(
        self,
        count: int,
        tell: Callable[[Advance], None],
        monotonic_s: Callable[[], float] = time.monotonic,
        wait: Callable[[], None] = lambda: None,
    ) -> None:
        self._count, self._wait = count, wait
        self._tell = tell
        self._monotonic_s = monotonic_s
        self._names: list[str] = []
        self._began_s = 0.0
        self._last_s = -_TELL_EVERY_S

    def progress(self, name: str, work: Work) -> Progress:
        """Called for one step of the work on one performance."""
        if name not in self._names:
            self._names.append(name)
            self._began_s = self._monotonic_s()
        before = sum(step.value for step in list(Work)[: list(Work).index(work)])

        def told(what: str, done: int, total: int) -> None:
            self._wait()
            now_s = self._monotonic_s()
            if now_s - self._last_s >= _TELL_EVERY_S:
                self._last_s = now_s
                share = before + work.value * (done / total if total else 1.0)
                left_s = (now_s - self._began_s) * (1.0 - share) / share if share >= _SURE_FROM else None
                number = len(self._names)
                self._tell(
                    Advance(performance=name, what=what, share=share, left_s=left_s, number=number, count=self._count)
                )

        return told


def _tell(told: Advance | Outcome) -> None:
    sys.stdout.write(msgspec.json.encode(told).decode() + "\n")
    sys.stdout.flush()


def main() -> None:
    """Runs the planner in a process of its own."""
    give_way(PLANS)
    signal.signal(signal.SIGPIPE, signal.SIG_DFL)  # a house that ends meanwhile needs no answer
    signal.pthread_sigmask(signal.SIG_UNBLOCK, {signal.SIGPIPE})
    asked = ArgumentParser(allow_abbrev=False)
    asked.add_argument("places", nargs=3, type=Path)
    asked.add_argument("--due", action="append", default=[])
    asked.add_argument("swaps", nargs="*")
    given = asked.parse_intermixed_args()
    folder, in_force, cache = given.places
    try:
        installation = _instead(load(folder, in_force), given.swaps)
    except ProblemError as error:
        sys.exit(str(error))
    teller = Teller(len(installation.played), _tell, wait=PlannerGate().wait)
    outcome = make_ready(installation, cache, due=given.due, progress=teller.progress, told=_tell)
    keep(outcome, installation, cache)
    _tell(outcome)
    tidy(cache, set(_needed(installation, cache)))


def _instead(installation: Installation, swaps: Sequence[str]) -> Installation:
    """The installation with some performances replaced by other bags, each as NAME=BAG."""
    bags = {name: Path(bag) for name, _, bag in (swap.partition("=") for swap in swaps)}
    return replace(installation, performances={**installation.performances, **bags})


if __name__ == "__main__":
    main()
