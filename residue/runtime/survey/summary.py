"""A survey in a few lines, for a terminal and as the beginning of its page."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from statistics import median

from residue.runtime.survey.columns import SurveyColumn
from residue.runtime.survey.row import SurveyedPerformance

_NAME_WIDTH = 15
"""Longer names are shortened in the table, so that a line fits 80 columns."""
_FIGURE_WIDTH, _HEAD_WIDTH = 8, 22


def sentences(rows: Sequence[SurveyedPerformance]) -> Iterator[str]:
    """How many can be played; which hold the same recording."""
    playable = sum(row.playable for row in rows)
    yield f"{playable} of {len(rows)} performances can be played."
    lacking = sum(row.consent is False for row in rows)
    if lacking:
        yield f"No consent is written down for {lacking} of them."
    alike = defaultdict(list)
    for row in rows:
        alike[row.bag_sha256].append(row.name)
    for digest, names in alike.items():
        if digest is not None and len(names) > 1:
            yield f"The same recording: {', '.join(names)}."


def broken(rows: Sequence[SurveyedPerformance]) -> Iterator[str]:
    """A line for each that cannot be played."""
    return (f"{row.name}: {row.problems}" for row in rows if not row.playable)


@dataclass(frozen=True, slots=True, kw_only=True)
class QuantitySpread:
    """One quantity over all performances, its figures in words. first, last: whose the least and the largest are."""

    head: str
    least: str
    first: str
    median: str
    most: str
    last: str


def spreads(columns: Sequence[SurveyColumn], rows: Sequence[SurveyedPerformance]) -> Iterator[QuantitySpread]:
    """Each quantity that at least one performance has."""
    for column in columns:
        figures = column.figures(rows) if column.head else []
        if figures:
            (least, first), (most, last) = figures[0], figures[-1]
            yield QuantitySpread(
                head=column.head,
                least=column.in_words(least),
                first=first,
                median=column.in_words(median(value for value, _ in figures)),
                most=column.in_words(most),
                last=last,
            )


def spread_lines(columns: Sequence[SurveyColumn], rows: Sequence[SurveyedPerformance]) -> Iterator[str]:
    """The same as lines of at most 80 columns."""
    found = [QuantitySpread(head="", least="least", first="", median="median", most="most", last="")]
    for one in [*found, *spreads(columns, rows)]:
        head, first, last = (
            _shortened(text, width)
            for text, width in ((one.head, _HEAD_WIDTH), (one.first, _NAME_WIDTH), (one.last, _NAME_WIDTH))
        )
        least = f"{one.least:>{_FIGURE_WIDTH}} {first:<{_NAME_WIDTH}}"
        yield f"{head:<{_HEAD_WIDTH}}{least}{one.median:>{_FIGURE_WIDTH}}{one.most:>{_FIGURE_WIDTH}} {last}".rstrip()


def _shortened(name: str, width: int) -> str:
    """Its end, where names of a collection differ."""
    return name if len(name) <= width else f"…{name[1 - width :]}"
