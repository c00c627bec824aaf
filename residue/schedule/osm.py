"""Weekly hours as OpenStreetMap writes them, by the `opening_hours` library.

Source: OpenStreetMap wiki, Key:opening_hours/specification, version 0.7.2. Rules that depend on anything but the
calendar are refused: an unattended house must not guess.
"""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Iterator
from zoneinfo import ZoneInfo

import opening_hours

from residue.schedule.calendar import OpeningSource
from residue.schedule.opening import Opening
from residue.schedule.spans import instant

_NOT_HERE = {
    r"\d\+": "has a time with an open end. Write when it ends.",
    r"dawn|sunrise|sunset|dusk": "depends on the sun. Write times.",
    r"\b[PS]H\b": "depends on holidays. Write their hours under [holidays].",
    r"unknown|\"": "does not say whether it is open. Write times.",
}
"""Parts of opening_hours that hours.toml does not accept, with the reason."""


def fault(text: str) -> str | None:
    """Sentences for people on parts that cannot be read or are ambiguous; None without a fault."""
    for pattern, mend in _NOT_HERE.items():
        if re.search(pattern, text):
            return f"'{text}' {mend}"
    if not opening_hours.validate(text):
        return f"'{text}' is not in the form of opening_hours. Write it as Tu-Su 10:00-18:00; Th 10:00-20:00."
    return None


def source(text: str, zone: ZoneInfo) -> OpeningSource:
    """The openings of a text that passed the check.

    The library gets only wall-clock times, so that times in the gap and fold of a clock change are read as in all other
    parts (see residue.schedule.spans).
    """
    written = opening_hours.OpeningHours(text)

    def during(first: dt.date, days: int) -> Iterator[Opening]:
        begin = dt.datetime.combine(first, dt.time())
        for opens, closes, state, _ in written.intervals(begin, begin + dt.timedelta(days=days)):
            if state == opening_hours.State.OPEN:
                yield Opening(_instant(opens, zone), _instant(closes, zone), "weekly hours")

    return during


def _instant(wall: dt.datetime, zone: ZoneInfo) -> dt.datetime:
    return instant(wall.date(), wall.hour * 60 + wall.minute, zone)
