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

_MARGIN_DAYS = 3
"""No opening lasts longer than two days (see `settled`), so a page is right if it is computed with this margin."""
_MARGINS_DAYS = ((_MARGIN_DAYS, _MARGIN_DAYS), (_MARGIN_DAYS, 0), (0, _MARGIN_DAYS))
"""Days before and after a page: a year that is refused takes its own days away, and none of the pages beside it."""
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


LOOKED_AHEAD = timedelta(days=8)
"""So far ahead is looked for the closing of a house that stays open over midnight: a week, and a day to spare."""


def closing(calendar: Calendar, opening: Opening) -> datetime | None:
    """When a house with this opening under way closes, past the midnights at which it stays open (Opening.goes_on).

    None where that is more than LOOKED_AHEAD after the beginning of this opening.
    """
    latest = opening
    while latest.goes_on and latest.closes - opening.opens <= LOOKED_AHEAD:
        following = calendar.opening_at(latest.closes)
        if following is None:  # A year that cannot be worked out: nothing opens there.
            break
        latest = following
    return latest.closes if latest.closes - opening.opens <= LOOKED_AHEAD else None


OpeningSource = Callable[[date, int], Iterable[Opening]]
"""Gives all open times during some local days, in any order; they may overlap, and more days may be included."""


class PagedCalendar:
    """The calendar of a source: its openings put in order, and kept by pages, so that the next question is fast.

    A page is a month, so that it lies within one year: the years of a calendar file are worked out one by one.
    """

    def __init__(self, zone: ZoneInfo, source: OpeningSource) -> None:
        self.zone = zone
        self._source = source
        self._pages: dict[tuple[int, int, int], list[Opening]] = {}
        """By page and margins."""

    def openings(self, first: date, days: int) -> list[Opening]:
        """Those that begin on these local days, in order; none overlaps another."""
        last = first + timedelta(days=days - 1)
        pages = range(_page(first), _page(last) + 1)
        return [opening for page in pages for opening in self._on(page) if first <= opening.opens.date() <= last]

    def opening_at(self, moment: datetime) -> Opening | None:
        """The one that is under way."""
        latest = next(self._back_from(moment), None)
        return latest if latest is not None and moment < latest.closes else None

    def next_change(self, moment: datetime) -> datetime | None:
        """The first opening or closing after `moment`; None when there is none for more than a year."""
        under_way = self.opening_at(moment)
        if under_way is not None:
            return under_way.closes
        today = local(moment, self.zone).date()
        for page in range(_page(today), _page(today + timedelta(days=HORIZON_DAYS)) + 1):
            for opening in self._known(page):
                if opening.opens > moment:
                    return opening.opens
        return None

    def _back_from(self, moment: datetime) -> Iterator[Opening]:
        """The openings that began up to `moment` and could still last, the latest first."""
        page = _page(local(moment, self.zone).date())
        for earlier in (page, page - 1):
            known = self._known(earlier)
            yield from reversed(known[: bisect_right(known, moment, key=lambda opening: opening.opens)])

    def _known(self, page: int) -> list[Opening]:
        """The openings of a page; none where it is refused."""
        with suppress(ProblemError):
            return self._on(page)
        return []

    def _on(self, page: int) -> list[Opening]:
        for before, after in _MARGINS_DAYS:
            with suppress(ProblemError):
                return self._worked_out(page, before=before, after=after)
        return self._worked_out(page, before=0, after=0)

    def _worked_out(self, page: int, *, before: int, after: int) -> list[Opening]:
        if (page, before, after) not in self._pages:
            first, beyond = _first_day(page), _first_day(page + 1)
            found = self._source(first - timedelta(days=before), before + (beyond - first).days + after)
            own = [run for run in settled(found, self.zone) if _page(run.opens.date()) == page]
            self._pages[page, before, after] = own
        return self._pages[page, before, after]


def _page(day: date) -> int:
    return 12 * day.year + day.month - 1


def _first_day(page: int) -> date:
    return date(page // 12, page % 12 + 1, 1)
