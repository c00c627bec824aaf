"""Performances that are to take others' places: found, checked and planned beside, and taken at their moment.

What plays is not touched before the new one was verified, fits the piece, was rendered whole and planned within the
programme: all by the planner's process, with the new bag in the old one's place. Anything wrong leaves the old one.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterator
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path

import msgspec

from residue.archive.swap.asking import waiting, withdraw
from residue.archive.swap.candidate import Candidate, When
from residue.archive.swap.dropped import dropped, lacking, look
from residue.archive.swap.taking import recover, take
from residue.installation.load import PERFORMANCES, Installation
from residue.problems import ProblemError
from residue.runtime.planning.planning import Outcome, sources
from residue.runtime.swap.case import WHEN_IN_WORDS, Case, Stage
from residue.runtime.swap.moment import Moment
from residue.runtime.swap.newcomers import Newcomers
from residue.runtime.swap.stager import Asked, Stager
from residue.runtime.system.child_process import ChildProcess, ProcessStarter

logger = logging.getLogger(__name__)

SETTLED_S = 5.0
"""So long nothing in a dropped bag must have changed before it is checked; our choice."""
STALE_S = 60.0
"""A dropped bag that is not whole and does not change for so long was forgotten half-way: somebody should look."""
TOLD_S = 86_400.0
"""The status shows a refusal for so long, or until another swap is requested."""
MOST_ATTEMPTS = 3
"""A check that is ended from outside, for want of memory say, is begun anew so often."""


@dataclass(frozen=True, slots=True)
class SwapDone:
    """A performance that has just taken another's place."""

    name: str
    outcome: Outcome
    """The plan of the programme from now on."""


class Swaps:
    """Looks after them; `look` is called again and again, beside the loop, and does all that touches the disk.

    in_force: gives the installation, and is asked at each look.
    held_back: performances that are not to begin any more, since others are ready to take their places.
    alarms: refusals, for the status. told: every swap under way, for programs.
    """

    def __init__(
        self, in_force: Callable[[], Installation], cache: Path, errand: ProcessStarter = ChildProcess
    ) -> None:
        self._errand = errand
        self._in_force = in_force
        self._installation = installation = in_force()
        self._performances = installation.folder / PERFORMANCES
        self._cache = cache
        self._cases: dict[str, Case] = {}
        self._stager = Stager(installation.folder, errand)
        self._newcomers = Newcomers(self._performances, SETTLED_S)
        self._trial: tuple[str, ChildProcess] | None = None
        self._refusals: dict[str, tuple[str, float]] = {}
        self._said: list[str] = []
        self.held_back: frozenset[str] = frozenset()
        self.alarms: tuple[str, ...] = ()
        self.told: tuple[dict[str, str | None], ...] = ()

    def ask(self, asked: Asked) -> None:
        """Have a bag take a place; from any thread."""
        self._stager.ask(asked)

    def look(self, moment: Moment, now_s: float, *, planning: bool) -> tuple[SwapDone | None, list[str]]:
        """Swaps made since the last look, and news about the others.

        now_s: monotonic. planning: the planner is at work on what plays; that comes first.
        """
        self._said = []
        if (installation := self._in_force()) is not self._installation:
            self._installation = installation
            self._check_anew()
        for asked, why in self._stager.look():
            self._told_refused(asked.name, what=asked.what, why=why, now_s=now_s)
        self._said += self._newcomers.look(installation.played, now_s)
        self._find(now_s)
        self._arrive(now_s)
        self._try(now_s, planning=planning)
        taken = self._take(moment, now_s)
        self._tell(moment, now_s)
        return taken, self._said

    def end(self) -> None:
        """Stop what is being worked on."""
        self._stager.end()
        if self._trial is not None:
            self._trial[1].end()

    # What stands in performances/.

    def _find(self, now_s: float) -> None:
        names = self._installation.played
        found: dict[str, Candidate] = {}
        for candidate in (*waiting(self._performances), *dropped(self._performances, names)):
            found.setdefault(candidate.name, candidate)
        for name in self._cases.keys() - found.keys():
            self._forget(name)
        for name, candidate in found.items():
            seen, known = look(candidate.path), self._cases.get(name)
            if known is None or known.candidate != candidate or known.look != seen:
                self._forget(name)
                self._refusals.pop(name, None)
                self._cases[name] = Case(candidate, seen, now_s)

    def _arrive(self, now_s: float) -> None:
        for name, case in list(self._cases.items()):
            if case.stage is not Stage.ARRIVING:
                continue
            if case.ours:
                self._cases[name] = replace(case, stage=Stage.TO_CHECK)
                continue
            try:
                lacks = lacking(case.candidate.path)
            except ProblemError as error:
                self._refuse(case, str(error), now_s)
                continue
            settled = lacks is None and now_s - case.since_s >= SETTLED_S
            why = None if lacks is None else f"It lacks {lacks}."
            self._cases[name] = replace(case, stage=Stage.TO_CHECK if settled else Stage.ARRIVING, why=why)

    def _forget(self, name: str) -> None:
        self._cases.pop(name, None)
        if self._trial is not None and self._trial[0] == name:
            self._trial[1].end()
            self._trial = None

    # Checking and planning.

    def _try(self, now_s: float, *, planning: bool) -> None:
        if self._trial is not None:
            self._end_trial(*self._trial, now_s)
        if self._trial is None and not planning:
            self._begin_trial()

    def _begin_trial(self) -> None:
        order = list(When)
        to_check = [case for case in self._cases.values() if case.stage is Stage.TO_CHECK]
        for case in sorted(to_check, key=lambda case: order.index(case.candidate.request.when))[:1]:
            name, at = case.candidate.name, self._installation
            arguments = [*sources(at), str(self._cache), f"{name}={case.candidate.path}"]
            self._trial = name, self._errand("residue.runtime.planning.planning", arguments)
            self._cases[name] = replace(case, stage=Stage.CHECKING, attempts=case.attempts + 1)
            if case.attempts == 0:
                when = WHEN_IN_WORDS[case.candidate.request.when]
                self._said.append(f"{case.what}, {when}: it is being checked, and what was there plays on.")

    def _end_trial(self, name: str, errand: ChildProcess, now_s: float) -> None:
        if errand.status is None:
            return
        case = self._cases[name]
        outcome = _outcome(errand) if errand.status == 0 else None
        if outcome is not None and name in outcome.gain_db:
            self._cases[name] = replace(case, stage=Stage.READY, outcome=outcome)
            self._said.append(f"{case.what}, {WHEN_IN_WORDS[case.candidate.request.when]}: it is ready.")
        elif errand.status < 0 and case.attempts < MOST_ATTEMPTS:
            self._cases[name] = replace(case, stage=Stage.TO_CHECK)
        elif outcome is not None:
            self._refuse(case, outcome.unplayable.get(name, "It is no longer in the programme."), now_s)
        else:
            self._refuse(case, errand.complaint, now_s)
        errand.end()
        self._trial = None

    def _check_anew(self) -> None:
        """Plans that were made for another programme are of no use."""
        if self._trial is not None:
            self._trial[1].end()
            self._trial = None
        for name, case in self._cases.items():
            if case.stage in (Stage.CHECKING, Stage.READY):
                self._cases[name] = replace(case, stage=Stage.TO_CHECK, outcome=None)

    # Taking.

    def _take(self, moment: Moment, now_s: float) -> SwapDone | None:
        for name, case in list(self._cases.items()):
            due = case.stage is Stage.READY and moment.wanted(case.candidate) and moment.free(case.candidate)
            # Whatever was begun before the last look is known to this one: nobody reads the bag that is moved.
            if not due or name not in self.held_back or case.outcome is None:
                continue
            try:
                take(self._performances, case.candidate)
            except ProblemError as error:
                recover(self._performances)
                self._refuse(case, str(error), now_s)
                continue
            del self._cases[name]
            self._said.append(f"{case.what}: it has taken it. {case.outcome.words.get(name, '')}".rstrip())
            self._check_anew()
            return SwapDone(name, case.outcome)
        return None

    # Telling.

    def _refuse(self, case: Case, why: str, now_s: float) -> None:
        name = case.candidate.name
        why = why.replace(case.candidate.path.name, case.candidate.request.bag)
        self._cases[name] = replace(case, stage=Stage.REFUSED, why=why)
        if case.ours:
            with suppress(ProblemError):  # where even that cannot be done, it stays there as refused
                withdraw(self._performances, name)
                del self._cases[name]
                self._refusals[name] = _refusal(case.what, why), now_s
        self._said.append(_refusal(case.what, why))

    def _told_refused(self, name: str, *, what: str, why: str, now_s: float) -> None:
        self._refusals[name] = _refusal(what, why), now_s
        self._said.append(_refusal(what, why))

    def _tell(self, moment: Moment, now_s: float) -> None:
        ready = (case for case in self._cases.values() if case.stage is Stage.READY)
        self.held_back = frozenset(case.candidate.name for case in ready if moment.wanted(case.candidate))
        self._refusals = {name: told for name, told in self._refusals.items() if now_s - told[1] < TOLD_S}
        self.alarms = (*(words for words, _ in self._refusals.values()), *self._unwell(now_s))
        self.told = (*self._stager.told, *(case.told() for case in self._cases.values()))

    def _unwell(self, now_s: float) -> Iterator[str]:
        for case in self._cases.values():
            if case.stage is Stage.REFUSED:
                yield _refusal(case.what, case.why or "")
            elif case.why is not None and now_s - case.since_s >= STALE_S:
                yield f"{case.what}: it is not whole, and nobody goes on copying. {case.why}"


def _refusal(what: str, why: str) -> str:
    return f"{what}: refused; what was there plays on. {why}"


_OUTCOME = msgspec.json.Decoder(Outcome)


def _outcome(errand: ChildProcess) -> Outcome | None:
    for line in reversed(errand.said):
        with suppress(msgspec.MsgspecError, ValueError):
            return _OUTCOME.decode(line)
    return None
