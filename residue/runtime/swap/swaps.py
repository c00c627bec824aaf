"""Swaps: finds the new performances, checks and plans them beside the present ones, and swaps at their moment.

The present performance does not change before the new one is verified, fits the piece, is rendered whole and planned
within the programme. The planner's process does all this, with the new bag in place of the old one. After any fault the
old one stays.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path

import msgspec

from residue.archive.swap.dropped import FolderState, dropped, lacking, look
from residue.archive.swap.places import Candidate, When
from residue.archive.swap.taking import recover, take, waiting, withdraw
from residue.installation.load import PERFORMANCES, Installation
from residue.problems import ProblemError, nearest
from residue.runtime.planning.planning import Outcome, sources
from residue.runtime.swap.moment import Moment
from residue.runtime.swap.stager import Stager
from residue.runtime.system.child_process import ChildProcess, ProcessStarter

logger = logging.getLogger(__name__)

SETTLED_S = 5.0
"""A dropped bag must be unchanged for so long before it is checked; our choice."""
STALE_S = 60.0
"""A dropped bag that is incomplete and unchanged for so long was forgotten: a person should look at it."""
TOLD_S = 86_400.0
"""The status shows a refusal for this time, or until another swap is requested."""
MOST_ATTEMPTS = 3
"""A check that is ended from outside, for lack of memory for example, is repeated so often."""
_WHEN_IN_WORDS = {
    When.NOW: "at once",
    When.AT_REST: "as soon as that does not play",
    When.AT_OPENING: "before the house opens next",
}


class Stage(StrEnum):
    """The stage of a swap, as the status shows it."""

    COPYING = "being copied"
    ARRIVING = "arriving"
    """It was dropped, and a person still copies it."""
    TO_CHECK = "to be checked"
    CHECKING = "being checked"
    READY = "ready"
    REFUSED = "refused"


@dataclass(slots=True)
class Case:
    """A candidate, its state on the disk at the last check, and the result."""

    candidate: Candidate
    look: FolderState
    since_s: float
    """The time of the last change that was seen, on the monotonic clock."""
    stage: Stage = Stage.ARRIVING
    why: str | None = None
    """The missing parts, or the reason for the refusal."""
    outcome: Outcome | None = None
    """The plan with it in the programme."""
    attempts: int = 0
    told_stale: bool = False

    @property
    def ours(self) -> bool:
        """Whether it is a copy of our own, or the version before, and not a dropped bag."""
        return self.candidate.path.name.startswith(".")

    @property
    def what(self) -> str:
        """The two performances and the moment, in words for people."""
        return f"{self.candidate.what}, {_WHEN_IN_WORDS[self.candidate.request.when]}"

    def told(self) -> dict[str, str | None]:
        """The progress of the swap, for the status."""
        name, request = self.candidate.name, self.candidate.request
        return {"performance": name, "bag": request.bag, "when": request.when, "state": self.stage, "why": self.why}


@dataclass(frozen=True, slots=True)
class SwapDone:
    """A completed swap."""

    name: str
    outcome: Outcome
    """The plan of the programme with the new performance."""


class Swaps:
    """Handles swaps; `look` is called again and again, beside the loop, and does all work on the disk.

    in_force: gives the installation; it is called at each look. held_back: performances that are not to begin any more,
    because others are ready to replace them. alarms: refusals, for the status. told: every swap under way, for
    programs.
    """

    def __init__(
        self, in_force: Callable[[], Installation], cache: Path, errand: ProcessStarter = ChildProcess
    ) -> None:
        self._errand = errand
        self._in_force = in_force
        self._installation = in_force()
        self._performances = self._installation.folder / PERFORMANCES
        self._cache = cache
        self._cases: dict[str, Case] = {}
        self._stager = Stager(self._installation.folder, errand)
        self._known = self._folders()
        self._trial: tuple[Case, ChildProcess] | None = None
        self._refusals: dict[str, tuple[str, float]] = {}
        self._said: list[str] = []
        self.held_back: frozenset[str] = frozenset()
        self.alarms: tuple[str, ...] = ()
        self.told: tuple[dict[str, str | None], ...] = ()

    def ask(self, candidate: Candidate) -> None:
        """Requests a swap; any thread may call it."""
        self._stager.ask(candidate)

    def look(self, moment: Moment, now_s: float, *, planning: bool) -> tuple[SwapDone | None, list[str]]:
        """Swaps made since the last look, and news about the others.

        now_s: monotonic. planning: the planner is at work on what plays; which has priority.
        """
        self._said = []
        if (installation := self._in_force()) is not self._installation:
            self._installation = installation
            self._check_anew()
        for candidate, why in self._stager.look():
            self._note_refusal(candidate, why, now_s)
        self._greet()
        self._find(now_s)
        self._arrive(now_s)
        self._try(now_s, planning=planning)
        taken = self._take(moment, now_s)
        self._tell(moment, now_s)
        return taken, self._said

    def end(self) -> None:
        """Ends the work in progress."""
        self._stager.end()
        self._end_trial()

    # The content of performances/.

    def _folders(self) -> set[str]:
        return {path.name for path in self._performances.glob("[!.]*") if path.is_dir()}

    def _greet(self) -> None:
        """Reports each new bag that replaces nothing once, when it is complete, with the possible commands."""
        there, names = self._folders(), self._installation.played
        self._known &= there
        for bag in sorted(there - self._known - {f"{name}.{when}" for name in names for when in When}):
            with suppress(ProblemError):
                if lacking(self._performances / bag) is None:
                    self._known.add(bag)
                    self._said.append(_without_a_place(bag, names))

    def _find(self, now_s: float) -> None:
        found: dict[str, Candidate] = {}
        for candidate in (*waiting(self._performances), *dropped(self._performances, self._installation.played)):
            found.setdefault(candidate.name, candidate)
        for name in self._cases.keys() - found.keys():
            self._forget(name)
        for name, candidate in found.items():
            state, known = look(candidate.path), self._cases.get(name)
            if known is None or (known.candidate, known.look) != (candidate, state):
                self._forget(name)
                self._refusals.pop(name, None)
                self._cases[name] = Case(candidate, state, now_s)

    def _arrive(self, now_s: float) -> None:
        for case in [case for case in self._cases.values() if case.stage is Stage.ARRIVING]:
            try:
                lacks = None if case.ours else lacking(case.candidate.path)
            except ProblemError as error:
                self._refuse(case, str(error), now_s)
                continue
            case.why = None if lacks is None else f"It lacks {lacks}."
            if case.ours or (lacks is None and now_s - case.since_s >= SETTLED_S):
                case.stage = Stage.TO_CHECK

    def _forget(self, name: str) -> None:
        case = self._cases.pop(name, None)
        if self._trial is not None and self._trial[0] is case:
            self._end_trial()

    # Checks and plans.

    def _try(self, now_s: float, *, planning: bool) -> None:
        if self._trial is not None and self._trial[1].status is not None:
            self._judge(*self._trial, now_s)
            self._end_trial()
        if self._trial is None and not planning:
            self._begin_trial()

    def _begin_trial(self) -> None:
        order = list(When)
        to_check = [case for case in self._cases.values() if case.stage is Stage.TO_CHECK]
        for case in sorted(to_check, key=lambda case: order.index(case.candidate.request.when))[:1]:
            place = f"{case.candidate.name}={case.candidate.path}"
            arguments = [*sources(self._installation), str(self._cache), place]
            self._trial = case, self._errand("residue.runtime.planning.planning", arguments)
            case.stage = Stage.CHECKING
            case.attempts += 1
            if case.attempts == 1:
                self._said.append(f"{case.what}: it is being checked, and the old one plays on.")

    def _judge(self, case: Case, errand: ChildProcess, now_s: float) -> None:
        name, outcome = case.candidate.name, _outcome(errand)
        if outcome is not None and name in outcome.gain_db:
            case.stage, case.outcome = Stage.READY, outcome
            self._said.append(f"{case.what}: it is ready.")
        elif outcome is not None:
            self._refuse(case, outcome.unplayable.get(name, "It is no longer in the programme."), now_s)
        elif (errand.status or 0) < 0 and case.attempts < MOST_ATTEMPTS:
            case.stage = Stage.TO_CHECK
        else:
            self._refuse(case, errand.complaint, now_s)

    def _end_trial(self) -> None:
        if self._trial is not None:
            self._trial[1].end()
            self._trial = None

    def _check_anew(self) -> None:
        """Checks everything again: plans that were made for another programme are of no use."""
        self._end_trial()
        for case in self._cases.values():
            if case.stage in (Stage.CHECKING, Stage.READY):
                case.stage, case.outcome = Stage.TO_CHECK, None

    # Swaps.

    def _take(self, moment: Moment, now_s: float) -> SwapDone | None:
        for name, case in list(self._cases.items()):
            due = case.stage is Stage.READY and moment.wanted(case.candidate) and moment.free(case.candidate)
            # A performance that began before the last look is known to this one, so no bag in use is moved.
            if not due or name not in self.held_back or case.outcome is None:
                continue
            try:
                take(self._performances, case.candidate)
            except ProblemError as error:
                recover(self._performances)
                self._refuse(case, str(error), now_s)
                continue
            del self._cases[name]
            self._said.append(f"{case.candidate.what}: it has taken it. {case.outcome.words.get(name, '')}".rstrip())
            self._check_anew()
            return SwapDone(name, case.outcome)
        return None

    # Reports.

    def _refuse(self, case: Case, why: str, now_s: float) -> None:
        """Refuses a candidate: a copy of ours is withdrawn; a dropped bag stays, and is reported while it is there."""
        candidate = case.candidate
        case.stage, case.why = Stage.REFUSED, why.replace(candidate.path.name, candidate.request.bag)
        if case.ours:
            with suppress(ProblemError):  # where even that is not possible, it stays there as refused
                withdraw(self._performances, candidate.name)
                del self._cases[candidate.name]
                self._note_refusal(candidate, case.why, now_s)
                return
        self._said.append(_refusal(candidate, case.why))

    def _note_refusal(self, candidate: Candidate, why: str, now_s: float) -> None:
        self._refusals[candidate.name] = _refusal(candidate, why), now_s
        self._said.append(_refusal(candidate, why))

    def _tell(self, moment: Moment, now_s: float) -> None:
        for case in self._cases.values():
            if not case.told_stale and (words := _incomplete(case, now_s)):
                case.told_stale = True
                self._said.append(words)
        ready = (case.candidate for case in self._cases.values() if case.stage is Stage.READY)
        self.held_back = frozenset(candidate.name for candidate in ready if moment.wanted(candidate))
        self._refusals = {name: told for name, told in self._refusals.items() if now_s - told[1] < TOLD_S}
        self.alarms = (*(words for words, _ in self._refusals.values()), *self._unwell(now_s))
        copying = self._stager.copying
        copies = [Case(copying, (), now_s, Stage.COPYING)] if copying else []
        self.told = tuple(case.told() for case in (*copies, *self._cases.values()))

    def _unwell(self, now_s: float) -> Iterator[str]:
        for case in self._cases.values():
            if case.stage is Stage.REFUSED:
                yield _refusal(case.candidate, case.why or "")
            elif words := _incomplete(case, now_s):
                yield words


def _without_a_place(bag: str, names: Sequence[str]) -> str:
    name, _, when = bag.rpartition(".")
    if when in list(When):
        return f'{bag}: there is no performance "{name}" in the programme. {nearest(name, names)}'
    return (
        f"{bag} is complete in performances/, but replaces no performance. "
        f"Rename it, such as to {names[0]}.at-rest, to have it take the place of {names[0]}; "
        "or write it into the programme of hours.toml."
    )


def _incomplete(case: Case, now_s: float) -> str | None:
    """A bag that somebody has forgotten half-way, or that can never be whole."""
    if case.stage is not Stage.ARRIVING or case.why is None or now_s - case.since_s < STALE_S:
        return None
    return f"{case.candidate.what}: it is incomplete, and nothing more is copied. {case.why}"


def _refusal(candidate: Candidate, why: str) -> str:
    return f"{candidate.what}: refused; the old one plays on. {why}"


_OUTCOME = msgspec.json.Decoder(Outcome)


def _outcome(errand: ChildProcess) -> Outcome | None:
    """The result of the planner's process; None where it failed."""
    for line in reversed(errand.said if errand.status == 0 else []):
        with suppress(msgspec.MsgspecError, ValueError):
            return _OUTCOME.decode(line)
    return None
