"""Events of a day kept short: a flood of one kind takes a few lines of a page; the CSV file has every row."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from residue.notices.ledger import apart
from residue.runtime.journal.log import EventRow

MOST_ALIKE = 3
"""Our own bound: so many rows that differ only in figures are shown one by one."""
MOST_OF_A_KIND = 20
"""Our own bound: so many lines of one kind are shown."""


@dataclass(frozen=True, slots=True)
class FoldedEvents:
    """One line: a row, or several that are alike, the first and the last of which it names."""

    first: EventRow
    last: EventRow
    times: int
    alike: bool = True
    """Whether they differ only in figures."""


def folded(events: Iterable[EventRow]) -> list[FoldedEvents]:
    """The lines, in order of time."""
    alike: dict[tuple[str, str, str | None], list[EventRow]] = defaultdict(list)
    for event in events:
        alike[event.kind, apart(event.text), event.sender].append(event)
    by_kind: dict[str, list[FoldedEvents]] = defaultdict(list)
    for (kind, *_), rows in alike.items():
        by_kind[kind] += _shortened(rows)
    lines = [line for found in by_kind.values() for line in _bounded(sorted(found, key=_begin))]
    return sorted(lines, key=_begin)


def _shortened(rows: Sequence[EventRow]) -> list[FoldedEvents]:
    if len(rows) > MOST_ALIKE:
        return [FoldedEvents(rows[0], rows[-1], len(rows))]
    return [FoldedEvents(row, row, 1) for row in rows]


def _bounded(lines: Sequence[FoldedEvents]) -> list[FoldedEvents]:
    if len(lines) <= MOST_OF_A_KIND:
        return list(lines)
    shown, left = lines[: MOST_OF_A_KIND - 1], lines[MOST_OF_A_KIND - 1 :]
    last = max((line.last for line in left), key=lambda row: row.utc)
    return [*shown, FoldedEvents(left[0].first, last, sum(line.times for line in left), alike=False)]


def _begin(line: FoldedEvents) -> str:
    return line.first.utc
