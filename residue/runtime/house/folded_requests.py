"""Requests of people on their way into the event log, which folds many of them into few rows."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from residue.control.rate import Allowance
from residue.durations import duration_in_words

BURST_ROWS = 12.0
"""So many requests in a row get a row each: enough for requests by hand."""
ROWS_PER_S = 1.0 / 60.0
"""The rate of rows of one sender in the long run; a fader that is moved for an hour gives about sixty rows."""
ALL_BURST_ROWS = 60.0
ALL_ROWS_PER_S = 1.0 / 15.0
"""The rate of all senders together, because addresses can be forged: less than 6,000 rows a day."""
MOST_FOLDED = 64
"""Kinds of requests and senders that may wait for a row; further senders are counted as one."""
SEVERAL = "several senders"


@dataclass(slots=True)
class _Folded:
    """Requests of one kind and sender that have no row yet."""

    text: str
    since_s: float
    count: int = 1


class FoldedRequests:
    """Passes requests on to the event log: each at once if there are few; else the last one, with their number.

    write: the event log: kind, text, sender.
    """

    def __init__(self, write: Callable[[str, str, str], None], monotonic_s: Callable[[], float]) -> None:
        self._write = write
        self._monotonic_s = monotonic_s
        self._allowance = Allowance(
            monotonic_s, per_s=ROWS_PER_S, burst=BURST_ROWS, all_per_s=ALL_ROWS_PER_S, all_burst=ALL_BURST_ROWS
        )
        self._folded: dict[tuple[str, str], _Folded] = {}

    def tell(self, *, kind: str, text: str, sender: str) -> None:
        """Writes one request, or folds it."""
        waiting = self._folded.get((kind, sender))
        if waiting is None and self._allowance.take(sender):
            self._write(kind, text, sender)
            return
        if waiting is None and len(self._folded) >= MOST_FOLDED:
            sender = SEVERAL
            waiting = self._folded.get((kind, sender))
        if waiting is None:
            self._folded[kind, sender] = _Folded(text, self._monotonic_s())
        else:
            waiting.text = text
            waiting.count += 1

    def look(self) -> None:
        """Writes the rows that are due; call it every second or so."""
        for kind, sender in list(self._folded):
            if self._allowance.take(sender):
                self._write_folded(kind, sender)

    def end(self) -> None:
        """Writes all rows that wait."""
        for kind, sender in list(self._folded):
            self._write_folded(kind, sender)

    def _write_folded(self, kind: str, sender: str) -> None:
        folded = self._folded.pop((kind, sender))
        if folded.count > 1:
            length = duration_in_words(max(1, round(self._monotonic_s() - folded.since_s)))
            folded.text += f" This is the last of {folded.count} such requests within {length}."
        self._write(kind, folded.text, sender)
