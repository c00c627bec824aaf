"""The open times of a house, from any source: three questions about openings."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Callable, Iterable, Iterator
from contextlib import suppress
from datetime import date, datetime, timedelta
from typing import Protocol
from zoneinfo import ZoneInfo

from residue.problems import ProblemError
from residue.schedule.opening import Opening, settled
from residue.schedule.spans import local

_PAGE_DAYS = 28
"""Openings are computed and kept by pages of so many days."""
_MARGIN_DAYS = 3
"""No opening lasts longer than two days (see `settled`), so a page is right if it is computed with this margin."""
HORIZON_DAYS = 400
"""What comes next is searched for so many days ahead: a little more than a year."""


class Calendar(Protocol):
    """Answers from one set of hours.

    Later years of a calendar file may turn out to be impossible to work out: `openings` raises ProblemError then. The
    other two answer as if nothing opened there, since a house asks them that plays on.
    """

    @property
    def zone(self) -> ZoneInfo:
        """The zone of the place."""

    def openings(self, first: date, days: int) -> list[Opening]:
        """Those that begin on these local days, in order; none overlaps another."""

    def opening_at(self, moment: datetime) -> Opening | None:
        """The one that is under way."""

    def next_change(self, moment: datetime) -> datetime | None:
        """The first opening or closing after `moment`; None when there is none for more than a year."""


OpeningSource = Callable[[date, int], Iterable[Opening]]
"""Gives all open times during some local days, in any order; they may overlap, and more days may be included."""


class PagedCalendar:
    """The calendar of a source: its openings put in order, and kept by pages, so that the next question is fast."""

    def __init__(self, zone: ZoneInfo, source: OpeningSource) -> None:
        self.zone = zone
        self._source = source
        self._pages: dict[int, list[Opening]] = {}

    def openings(self, first: date, days: int) -> list[Opening]:
        """Those that begin on these local days, in order; none overlaps another."""
        last = first + timedelta(days=days - 1)
        pages = range(_page(first), _page(last) + 1)
        return [opening for page in pages for opening in self._on(page) if first <= opening.opens.date() <= last]

    def opening_at(self, moment: datetime) -> Opening | None:
        """The one that is under way."""
        with suppress(ProblemError):
            latest = next(self._back_from(moment), None)
            return latest if latest is not None and moment < latest.closes else None
        return None

    def next_change(self, moment: datetime) -> datetime | None:
        """The first opening or closing after `moment`; None when there is none for more than a year."""
        under_way = self.opening_at(moment)
        if under_way is not None:
            return under_way.closes
        page = _page(local(moment, self.zone).date())
        with suppress(ProblemError):
            for ahead in range(page, page + HORIZON_DAYS // _PAGE_DAYS + 1):
                for opening in self._on(ahead):
                    if opening.opens > moment:
                        return opening.opens
        return None

    def _back_from(self, moment: datetime) -> Iterator[Opening]:
        """The openings that began up to `moment` and could still last, the latest first."""
        page = _page(local(moment, self.zone).date())
        for earlier in (page, page - 1):
            known = self._on(earlier)
            yield from reversed(known[: bisect_right(known, moment, key=lambda opening: opening.opens)])

    def _on(self, page: int) -> list[Opening]:
        if page not in self._pages:
            first = date.fromordinal(page * _PAGE_DAYS)
            found = self._source(first - timedelta(days=_MARGIN_DAYS), _PAGE_DAYS + 2 * _MARGIN_DAYS)
            self._pages[page] = [run for run in settled(found, self.zone) if _page(run.opens.date()) == page]
        return self._pages[page]


def _page(day: date) -> int:
    return day.toordinal() // _PAGE_DAYS
