"""The days of a rule: a date or several in a row, some days of every year, a day of the week."""

from __future__ import annotations

import datetime as dt
import re
from calendar import monthrange
from collections.abc import Iterator
from functools import cached_property
from typing import ClassVar

import msgspec

from residue.schedule.spans import WEEKDAYS

_LONGEST_DAYS = 366
"""Our own bound: a longer stretch is a wrong year."""
_LEAP_YEAR = 2028
_YEARLY = re.compile(r"(\d{2}-\d{2})(?: to (\d{2}-\d{2}))?")
_WEEKLY = re.compile(rf"(?:(first|second|third|fourth|last) )?({'|'.join(WEEKDAYS)})")
_WEEK_OF = {"first": 1, "second": 2, "third": 3, "fourth": 4}
_WITHOUT_END = 100_000
"""Days without an end count as more than any with one."""

KINDS = ("date", "every_year", "weekday")
"""The ways to name days, the narrowest first."""
WEEKLY_KIND = KINDS.index("weekday")


class Days(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True, rename={"first": "from"}, dict=True):
    """The days on which something holds."""

    CALLED: ClassVar[str] = "The time"
    """The word for it in a message."""

    date: dt.date | None = None
    """The day, or the first of several."""
    every_year: str | tuple[str, ...] = ()
    """Days of every year as month-day, such as "12-24" or "12-24 to 01-06"; several as a list."""
    weekday: str | tuple[str, ...] = ()
    """A day of the week, such as "thu", "first thu" or "last sun" of each month; several as a list."""
    first: dt.date | None = None
    """The first day on which every_year or weekday holds; without it there is none."""
    until: dt.date | None = None
    """The last day; with date alone it is that day."""

    def __post_init__(self) -> None:
        if faults := list(self._faults()):
            raise ValueError(*faults)

    def _faults(self) -> Iterator[str]:
        given = [kind for kind in KINDS if getattr(self, kind)]
        if len(given) != 1:
            yield f"There is {' and '.join(given) or 'no day'}. Write one of date, every_year and weekday."
            return
        if self.date is not None and self.first is not None:
            yield "There is date and from. Write the first day as date."
        for text in _several(self.every_year):
            if _month_days(text) is None:
                yield f"'{text}' is no day of every year. Write month-day, such as 12-24, or 12-24 to 01-06."
        for text in _several(self.weekday):
            if _WEEKLY.fullmatch(text) is None:
                yield f"'{text}' is no day of the week. Write one such as thu, first thu or last sun."
        begins = self.date or self.first
        if begins is not None and self.until is not None:
            try:
                days(begins, self.until, self.CALLED, longest=_LONGEST_DAYS if self.date else _WITHOUT_END)
            except ValueError as error:
                yield str(error)

    @property
    def dates(self) -> list[dt.date]:
        """The days of one with a date."""
        return [] if self.date is None else days(self.date, self.until or self.date, self.CALLED)

    @property
    def last(self) -> dt.date | None:
        """The last day of all; None where there is none."""
        return self.until or self.date

    def hold_on(self, day: dt.date) -> bool:
        """Whether a day is one of these days."""
        begins = self.date or self.first
        if (begins is not None and day < begins) or (self.last is not None and day > self.last):
            return False
        if self.date is not None:
            return True
        if self._yearly:
            return (day.month, day.day) in self._yearly
        return bool(_names_of(day) & self._weekly)

    @cached_property
    def narrowness(self) -> tuple[int, int]:
        """A key; the lesser is the narrower: a date before every year before every week, then the fewer days."""
        if self.date is not None:
            return 0, len(self.dates)
        if self._yearly:
            return 1, len(self._yearly)
        if self.first is not None and self.until is not None:
            return WEEKLY_KIND, sum(map(self.hold_on, days(self.first, self.until, self.CALLED, longest=_WITHOUT_END)))
        return WEEKLY_KIND, _WITHOUT_END + sum(12 if " " in name else 52 for name in self._weekly)

    def clash(self, other: Days) -> dt.date | None:
        """A day in both of two rules of which neither is narrower."""
        if self.narrowness != other.narrowness:
            return None
        begins = max(self.date or self.first or dt.date.min, other.date or other.first or dt.date.min)
        begins = max(begins, dt.date(_LEAP_YEAR - 4, 1, 1)) if self.date is None else begins
        ends = min(self.last or dt.date.max, other.last or dt.date.max)
        held = (begins + dt.timedelta(days=n) for n in range(min((ends - begins).days + 1, 4 * 366)))
        return next((day for day in held if self.hold_on(day) and other.hold_on(day)), None)

    @cached_property
    def _yearly(self) -> frozenset[tuple[int, int]]:
        return frozenset(one for text in _several(self.every_year) for one in _month_days(text) or ())

    @cached_property
    def _weekly(self) -> frozenset[str]:
        return frozenset(_several(self.weekday))


def days(first: dt.date, last: dt.date, what: str, longest: int = _LONGEST_DAYS) -> list[dt.date]:
    """All dates from the first to the last.

    Raises ValueError, in words for people about `what`, where that is implausible.
    """
    if last < first:
        raise ValueError(f"{what} runs from {first} until {last}. Write the later date as until.")
    if (last - first).days >= longest:
        raise ValueError(f"{what} from {first} until {last} is longer than a year. Shorten it.")
    return [first + dt.timedelta(days=n) for n in range((last - first).days + 1)]


def _several(texts: str | tuple[str, ...]) -> tuple[str, ...]:
    return (texts,) if isinstance(texts, str) and texts else tuple(texts)


def _month_days(text: str) -> list[tuple[int, int]] | None:
    """Every month and day of a stretch, which may run over the new year; None where it is not a stretch."""
    written = _YEARLY.fullmatch(text)
    if written is None:
        return None
    try:
        first, last = (dt.date.fromisoformat(f"{_LEAP_YEAR}-{one}") for one in (written[1], written[2] or written[1]))
    except ValueError:
        return None
    ends = last if last >= first else last.replace(year=_LEAP_YEAR + 1)
    return list({(day.month, day.day): None for day in days(first, ends, "The time")})


def _names_of(day: dt.date) -> frozenset[str]:
    """The names by which a day of the week may be called: by itself, and by its place in the month."""
    name = WEEKDAYS[day.weekday()]
    week = (day.day - 1) // 7 + 1
    placed = [f"{place} {name}" for place, number in _WEEK_OF.items() if number == week]
    is_last = day.day + 7 > monthrange(day.year, day.month)[1]
    return frozenset([name, *placed, *([f"last {name}"] if is_last else [])])
