"""Compares the level log with its second copy: what has changed in one of them, in words."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from residue.runtime.journal.second_copy import EventTold, LineTold, SecondTold


def damages(told: tuple[Sequence[EventTold], Sequence[SecondTold]], latest: Sequence[LineTold | None]) -> Iterator[str]:
    """Sentences on rows that each of the two has otherwise, and on lines with a wrong check sum.

    Rows that only one of them has are no damage: after a power cut or a full disk either may end before the other.
    told: events and seconds of the log, the oldest first. latest: the lines of the copy, the latest first; None for a
    damaged one.
    """
    lines = latest[::-1]
    changed = _changed(told[0], [line for line in lines if isinstance(line, EventTold)])
    changed += _changed(told[1], [line for line in lines if isinstance(line, SecondTold)])
    if spoilt := lines.count(None):
        yield f"Damaged lines in the second copy of the level log: {spoilt}. Caps count the most for them."
    if changed:
        yield f"Rows of the level log that differ from its second copy: {changed}. A bit has changed on the disk."


def _changed(rows: Sequence[LineTold], copies: Sequence[LineTold]) -> int:
    """How many rows each of the two has otherwise: known to neither, since the copy has another in their place."""
    return min(_unknown(rows, copies), _unknown(copies, rows))


def _unknown(rows: Sequence[LineTold], others: Sequence[LineTold]) -> int:
    """How many rows are not among the others, from the first on that is: they may begin later."""
    there = set(others)
    known = [row in there for row in rows]
    return known[known.index(True) :].count(False) if any(known) else 0
