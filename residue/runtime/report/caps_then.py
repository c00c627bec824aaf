"""The caps that were in force within some time, which the log keeps, and the windows that are held against each."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from itertools import pairwise

import msgspec

from residue.runtime.journal.caps_in_force import CapSaid, CapsRow, CapsSaid

LONGEST_WINDOW = timedelta(days=1)
"""Of any cap: see CapEntry."""
ALWAYS, EVER = datetime.min.replace(tzinfo=UTC), datetime.max.replace(tzinfo=UTC)


@dataclass(frozen=True, slots=True, kw_only=True)
class CapThen:
    """A cap, and the time in which it was in force.

    Windows that end after `after` and not after `until` are held against it.

    A window in which a cap became stricter is held against the limit before, and one in which it was loosened against
    the one behind. A window that began before there was any such cap is held against none.
    """

    said: CapSaid
    begins: datetime
    ends: datetime
    after: datetime
    until: datetime


def caps_then(rows: Sequence[CapsRow], start: datetime, end: datetime) -> list[CapThen] | None:
    """The caps that windows from start to end are held against, in order; None where the log does not tell.

    rows: those of the log from LONGEST_WINDOW before the start on, the one in force then first.
    """
    told = [(datetime.fromisoformat(row.utc), said) for row in rows if (said := _said_in(row)) is not None]
    if not told:
        return None
    # Before the first row the house did not run, or did not log its caps: the first count for that time too.
    starts = [ALWAYS, *(at for at, _ in told[1:]), EVER]
    spans: list[tuple[CapSaid, datetime, datetime]] = []
    for (begins, ends), (_, said) in zip(pairwise(starts), told, strict=True):
        for cap in said.caps:
            known = next((n for n, one in enumerate(spans) if one[0] == cap and one[2] == begins), None)
            if known is None:
                spans.append((cap, begins, ends))
            else:
                spans[known] = cap, spans[known][1], ends
    return [one for one in _held(spans) if one.after < min(end, one.until) and one.until > start]


def _said_in(row: CapsRow) -> CapsSaid | None:
    """What a row tells; None for one that this version cannot read."""
    try:
        said = msgspec.json.decode(row.said, type=CapsSaid)
        for one in said.caps:
            _ = one.cap
    except (msgspec.MsgspecError, ValueError, KeyError):
        return None
    return said


def _held(spans: Sequence[tuple[CapSaid, datetime, datetime]]) -> Iterator[CapThen]:
    for cap, begins, ends in spans:
        window = timedelta(seconds=cap.window_s)
        same = [(one, other_begins, other_ends) for one, other_begins, other_ends in spans if _same(one, cap)]
        before = next((one for one, _, other_ends in same if other_ends == begins), None)
        behind = next((one for one, other_begins, _ in same if other_begins == ends), None)
        loosened = begins == ALWAYS or (before is not None and before.limit < cap.limit)
        tightened = behind is not None and behind.limit < cap.limit
        yield CapThen(
            said=cap,
            begins=begins,
            ends=ends,
            after=begins if loosened else begins + window,
            until=ends + window if tightened else ends,
        )


def always(said: CapSaid) -> CapThen:
    """A cap of which nothing tells since when it is in force."""
    return CapThen(said=said, begins=ALWAYS, ends=EVER, after=ALWAYS, until=EVER)


def _same(one: CapSaid, other: CapSaid) -> bool:
    """Whether they limit the same in the same place, whatever their limits."""
    return (one.quantity, one.ear, one.window_s, one.at) == (other.quantity, other.ear, other.window_s, other.at)
