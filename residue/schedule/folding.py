"""Findings kept short: at most ten lines for each fault, and the titles of a calendar file, by their meaning."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable

from residue.problems import Finding, Severity
from residue.schedule.calendar_file import TakenTitle

_MOST_LINES = 10
"""Our own bound: as many as a person reads before mending the first."""
_MOST_TITLES = 100
"""Our own bound: a calendar with more titles is not one of hours alone."""


def folded(findings: Iterable[Finding]) -> list[Finding]:
    """The findings with at most ten for each fault; the tenth counts those that are left out.

    Findings with the same mend are the same fault.
    """
    same: dict[tuple[Severity, str], list[Finding]] = defaultdict(list)
    for finding in findings:
        same[finding.severity, finding.mend].append(finding)
    return [kept for found in same.values() for kept in _shortened(found)]


def _shortened(found: list[Finding]) -> list[Finding]:
    if len(found) <= _MOST_LINES:
        return found
    shown = found[: _MOST_LINES - 1]
    left = len(found) - len(shown)
    file = found[0].where.split(":")[0]
    return [*shown, Finding(found[0].severity, file, f"… and {left} more of this kind.", found[0].mend)]


def told_titles(titles: Iterable[TakenTitle], file: str) -> list[Finding]:
    """Findings on the meaning given to the titles of a calendar file, one each; corrections belong into the file."""
    ways: dict[str, list[str]] = defaultdict(list)
    for title in titles:
        times = f" ({title.events} events)" if title.events > 1 else ""
        ways[_way(title)].append(f"'{title.title}'{times}")
    return [Finding(Severity.NOTES, file, f"{way}: {_listed(names)}.", "") for way, names in ways.items()]


def _way(title: TakenTitle) -> str:
    lower = f", {-title.terms.trim_db:g} dB lower" if title.terms.trim_db else ""
    plays = f", plays {', '.join(title.terms.performances)}" if title.terms.performances else ""
    return f"{title.taken_as[0].upper()}{title.taken_as[1:]}{lower}{plays}"


def _listed(names: list[str]) -> str:
    more = f" and {len(names) - _MOST_TITLES} more" if len(names) > _MOST_TITLES else ""
    return ", ".join(names[:_MOST_TITLES]) + more
