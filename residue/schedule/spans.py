"""A stretch of a day in written form, and its instants in a zone."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta, timezone
from functools import cache
from itertools import pairwise
from zoneinfo import ZoneInfo

WEEKDAYS = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")
"""As written in hours.toml, in the order in which `date.weekday()` counts."""
_WRITTEN = re.compile(r"(\d{1,2}):(\d{2})\s*[-–]\s*(\d{1,2}):(\d{2})")
_TIME = re.compile(r"(\d{1,2}):(\d{2})")
_DAY_MIN = 24 * 60
_NIGHT_LONGEST_MIN = 12 * 60
"""Our own rule: from this length on, an end before its start is a mistake and not a night."""


@dataclass(frozen=True, slots=True)
class DaySpan:
    """A stretch of a day in minutes after its midnight; the end is after the start, perhaps past 24:00."""

    start_min: int
    end_min: int

    @property
    def written(self) -> str:
        """The text in hours.toml."""
        end = self.end_min if self.end_min == _DAY_MIN else self.end_min % _DAY_MIN
        return f"{_clock(self.start_min)}-{_clock(end)}"


def _clock(minutes: int) -> str:
    return f"{minutes // 60:02d}:{minutes % 60:02d}"


@cache
def day_span(text: str) -> DaySpan:
    """The span of "HH:MM-HH:MM"; an end before the start is on the next day. Raises ValueError, in words for people."""
    written = _WRITTEN.fullmatch(text.strip())
    if written is None:
        raise ValueError(
            f"'{text}' is not a span of a day. Write it as 10:00-18:00, with 24:00 for the end of the day."
        )
    start_hour, start_minute, end_hour, end_minute = map(int, written.groups())
    start_min, end_min = start_hour * 60 + start_minute, end_hour * 60 + end_minute
    if start_minute > 59 or end_minute > 59 or start_min >= _DAY_MIN or end_min > _DAY_MIN:
        raise ValueError(f"'{text}' has a time that does not exist. Write times from 00:00 to 24:00.")
    if start_min == end_min:
        raise ValueError(f"'{text}' ends as it starts. For the whole day write 00:00-24:00.")
    if end_min < start_min:
        end_min += _DAY_MIN
        if end_min - start_min > _NIGHT_LONGEST_MIN:
            swapped = DaySpan(end_min - _DAY_MIN, start_min).written
            raise ValueError(
                f"'{text}' ends before it starts and would be a night of more than 12 hours. Did you mean {swapped}? "
                "For so long a night write two spans, one up to 24:00 and one from 00:00 on the next day."
            )
    return DaySpan(start_min, end_min)


def day_time(text: str) -> int:
    """The minutes after midnight of "HH:MM". Raises ValueError, in words for people."""
    written = _TIME.fullmatch(text.strip())
    minutes = int(written[1]) * 60 + int(written[2]) if written and int(written[2]) < 60 else _DAY_MIN
    if minutes >= _DAY_MIN:
        raise ValueError(f"'{text}' is not a time of day. Write it as 15:30, from 00:00 to 23:59.")
    return minutes


def day_spans(texts: tuple[str, ...]) -> tuple[DaySpan, ...]:
    """The spans of one day, in order of time.

    Raises ValueError, in words for people, with a sentence for each faulty span and for overlaps.
    """
    spans: list[DaySpan] = []
    faults: list[str] = []
    for text in texts:
        try:
            spans.append(day_span(text))
        except ValueError as error:
            faults.append(str(error))
    spans.sort(key=lambda span: span.start_min)
    faults += [
        f"{earlier.written} and {later.written} overlap. Write them as one span, or part them."
        for earlier, later in pairwise(spans)
        if later.start_min < earlier.end_min
    ]
    if faults:
        raise ValueError(*faults)
    return tuple(spans)


def instant(day: date, minutes: int, zone: ZoneInfo) -> datetime:
    """The instant of a local time, `minutes` after midnight of `day` by the wall clock, as a time with fixed offset.

    A local time that does not exist is read with the offset before the gap; one that exists twice is the first.
    Source: RFC 5545, 3.3.5. (zoneinfo's fold=0 means the same.)
    """
    wall = datetime.combine(day, time(), zone) + timedelta(minutes=minutes)
    return local(wall.astimezone(UTC), zone)


def again(day: date, minutes: int, zone: ZoneInfo) -> datetime | None:
    """The second instant of a local time that exists twice; None for every other."""
    wall = datetime.combine(day, time(), zone) + timedelta(minutes=minutes)
    second = wall.replace(fold=1).astimezone(UTC)
    return local(second, zone) if second > wall.astimezone(UTC) else None


def local(moment: datetime, zone: ZoneInfo) -> datetime:
    """The same instant as a local time.

    It carries its offset as a fixed one: Python compares and subtracts two times of one ZoneInfo by the wall clock,
    which is wrong by an hour over a change.
    """
    there = moment.astimezone(zone)
    return there.replace(tzinfo=timezone(there.utcoffset() or timedelta()), fold=0)
