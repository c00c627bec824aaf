"""What cells of the report's tables show."""

from __future__ import annotations

from collections.abc import Iterable
from html import escape
from zoneinfo import ZoneInfo

from residue.page.page_parts import Html
from residue.runtime.report.courses import Course
from residue.runtime.report.coverage import Coverage
from residue.runtime.report.days import ReportedDay
from residue.schedule.agenda import closing_time
from residue.schedule.spans import local


def figure(value: float | None, form: str = ".1f") -> str:
    """A figure; a dash for none."""
    return "–" if value is None or value in (float("inf"), float("-inf")) else f"{value:{form}}"


def verdict(courses: Iterable[Course]) -> Html:
    """Whether every cap was kept, and else which was not."""
    passed = [one.cap.name for one in courses if not one.kept]
    if passed:
        return Html(f'<span class="passed">exceeded: {escape(", ".join(passed))}</span>')
    return Html('<span class="kept">every cap kept</span>')


def percent(covered: Coverage) -> str:
    """The share of the open time that the log covers."""
    return "–" if covered.percent is None else f"{covered.percent:g} %"


def openings_in_words(day: ReportedDay, zone: ZoneInfo) -> str:
    """The open times of a day."""
    if day.reported is None:
        return "not known"
    spans = [f"{local(one.opens, zone):%H:%M}–{closing_time(one, zone)}" for one in day.openings]
    return ", ".join(spans) or "closed"
