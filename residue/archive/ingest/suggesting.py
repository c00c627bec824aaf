"""Facts about a table that a template suggests, as far as the file tells them."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

from residue.archive.ingest.columns import find_grid, mean_rate_hz, suggested_hz
from residue.archive.ingest.facts import TableFacts
from residue.archive.ingest.times import Times
from residue.problems import ProblemError

Suggestions = Mapping[str, str | float]
"""Keys and values for [table] of a describe file."""
_TIME_WORDS = frozenset({"time", "times", "timestamp", "timestamps", "t", "seconds", "datetime", "elapsed"})


def suggested_facts(
    names: Sequence[str], moments: Sequence[str], rate_hz: float | None, times: Callable[[TableFacts], Times]
) -> Suggestions:
    """The facts to suggest; none where the file tells neither rate nor times.

    names: of all columns. moments: of those that hold dates and times. rate_hz: as the file states it. times: reads the
    times of rows, and raises ProblemError.
    """
    found = [*moments, *(name for name in names if _first_word(name) in _TIME_WORDS)]
    if not found:
        return {} if rate_hz is None else {"rate_hz": rate_hz}
    facts: dict[str, str | float] = {"time": found[0]}
    try:
        times_s = times(TableFacts(time=found[0]))
    except ProblemError:
        return facts  # what is wrong is told at the ingest, with the facts that the person chose
    try:
        find_grid("", times_s)
    except ProblemError:
        facts["resample_hz"] = suggested_hz(mean_rate_hz(times_s))
    return facts


def _first_word(name: str) -> str:
    return "".join(letter if letter.isalpha() else " " for letter in name.lower()).split(" ")[0]
