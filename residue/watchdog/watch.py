"""The watchdog: evaluates the table of checks and gives the remedies that are due."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from residue.watchdog.checks import CHECKS, Check, Remedy
from residue.watchdog.vitals import Vitals

CALM_S = 600.0
"""After a check has been good for so long, it starts again at its first remedy. This is longer than a rest between
performances, because silence does not show that a remedy helped. A check that becomes bad again sooner continues with
its next remedy, and after the last repeats that one: another performance may fail in the same way.
"""
TOLD_AGAIN_S = 60.0
"""Where a log entry is all that is done, a fault that comes back before that is told again, at most so often."""


@dataclass(frozen=True, slots=True)
class Due:
    """A remedy to use now, and the reason."""

    check: Check
    remedy: Remedy
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class _Case:
    """The state of one check."""

    bad_since_s: float | None = None
    last_bad_s: float = 0.0
    taken: int = 0
    next_at_s: float = 0.0
    why: str | None = None


_WELL = _Case()


class Watchdog:
    """Remembers how long each check has been bad, and the remedies used."""

    def __init__(self, checks: Sequence[Check] = CHECKS) -> None:
        self._checks = checks
        self._cases = {check.name: _Case() for check in checks}
        self._before: Vitals | None = None

    @property
    def alarms(self) -> list[str]:
        """The present faults, one sentence each."""
        return [case.why for case in self._cases.values() if case.why is not None]

    def look(self, vitals: Vitals) -> list[Due]:
        """Compares with the look before, and gives the remedies to use now, the mildest first."""
        before, self._before = self._before or vitals, vitals
        due: list[Due] = []
        for check in self._checks:
            why = check.bad(vitals, before)
            now_s, case = vitals.monotonic_s, self._cases[check.name]
            if why is None and case == _WELL:
                continue
            case = _seen(case, check, why, now_s)
            while case.why is not None and case.taken < len(check.remedies) and now_s >= case.next_at_s:
                remedy = check.remedies[case.taken]
                due.append(Due(check, remedy, case.why))
                wait_s = 0.0 if remedy is Remedy.LOG else check.apart_s  # the remedy after a log entry follows at once
                case = replace(case, taken=case.taken + 1, next_at_s=now_s + wait_s)
            self._cases[check.name] = case
        return sorted(due, key=lambda one: list(Remedy).index(one.remedy))


def _seen(case: _Case, check: Check, why: str | None, now_s: float) -> _Case:
    if why is None:
        calm = now_s - case.last_bad_s >= CALM_S
        return _WELL if calm else _Case(taken=case.taken, last_bad_s=case.last_bad_s, next_at_s=case.next_at_s)
    taken, since_s, next_at_s = case.taken, case.bad_since_s, case.next_at_s
    if since_s is None:
        since_s = now_s
        if taken == len(check.remedies):
            taken -= 1
            next_at_s += TOLD_AGAIN_S if check.remedies[-1] is Remedy.LOG else 0.0
    stood = now_s - since_s >= check.for_s
    why = why if stood else None
    return _Case(bad_since_s=since_s, last_bad_s=now_s, taken=taken, next_at_s=next_at_s, why=why)
