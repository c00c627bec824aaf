"""Parts of a page that the report's rooms share, and some of them a survey; cells are HTML."""

from __future__ import annotations

from base64 import b64encode
from collections.abc import Iterable, Sequence
from html import escape
from zoneinfo import ZoneInfo

from residue.runtime.report.courses import Course
from residue.runtime.report.coverage import Coverage
from residue.runtime.report.days import ReportedDay
from residue.schedule.agenda import closing_time
from residue.schedule.spans import local


def table(
    head: Sequence[str],
    rows: Iterable[Sequence[str]],
    numbers: Sequence[int] = (),
    *,
    caption: str = "",
    named: bool = False,
) -> str:
    """A table whose cells are HTML.

    numbers: the columns with figures. named: whether the first cell names its row, for a screen reader.
    """

    def row(cells: Sequence[str], tag: str) -> str:
        tags = [
            f'th scope="{"col" if tag == "th" else "row"}"' if tag == "th" or (named and not n) else tag
            for n in range(len(cells))
        ]
        marked = (
            f"<{tag}{' class=n' if n in numbers else ''}>{cell}</{tag[:2]}>"
            for n, (tag, cell) in enumerate(zip(tags, cells, strict=True))
        )
        return f"<tr>{''.join(marked)}</tr>"

    body = "".join(row(cells, "td") for cells in rows)
    above = f"<caption>{caption}</caption>" if caption else ""
    return f"<table>{above}<thead>{row(head, 'th')}</thead><tbody>{body}</tbody></table>"


def image(png: bytes, alt: str) -> str:
    """A picture within the page itself. alt: what it shows, in words."""
    return f'<img alt="{escape(alt)}" src="data:image/png;base64,{b64encode(png).decode()}">'


def figure(value: float | None, form: str = ".1f") -> str:
    """A figure; a dash for none."""
    return "–" if value is None or value in (float("inf"), float("-inf")) else f"{value:{form}}"


def verdict(courses: Iterable[Course]) -> str:
    """Whether every cap was kept, and else which was not."""
    passed = [one.cap.name for one in courses if not one.kept]
    if passed:
        return f'<span class="passed">exceeded: {escape(", ".join(passed))}</span>'
    return '<span class="kept">every cap kept</span>'


def percent(covered: Coverage) -> str:
    """The share of the open time that the log covers."""
    return "–" if covered.percent is None else f"{covered.percent:g} %"


def openings_in_words(day: ReportedDay, zone: ZoneInfo) -> str:
    """The open times of a day."""
    if day.reported is None:
        return "not known"
    spans = [f"{local(one.opens, zone):%H:%M}–{closing_time(one, zone)}" for one in day.openings]
    return ", ".join(spans) or "closed"
