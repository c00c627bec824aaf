"""Levels of a day, drawn."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import datetime, timedelta
from io import BytesIO
from math import inf, isfinite, nan

import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.dates import DateFormatter
from matplotlib.figure import Figure
from numpy.typing import NDArray

from residue.dsp.exact import gain_from_db
from residue.runtime.report.courses import Course
from residue.runtime.report.days import ReportedDay

Floats = NDArray[np.float64]

_A, _C, _LIMIT, _OPEN, _EVENT = "#1f3b57", "#b0582a", "#c0202c", "#eef3ea", "#7a4b8c"
_WIDTH_INCHES, _PANEL_INCHES, _DOTS_PER_INCH = 9.0, 1.9, 130
_SPAN_DB = 60.0
_MINUTE = len("2026-12-03T09:00")
_GAP = timedelta(minutes=2.5)


def draw_day(day: ReportedDay) -> bytes:
    """A PNG: the mean level of each minute, and below it each cap with the level over its own window."""
    courses = [one for one in day.courses if one.highest is not None]
    panels = 1 + len(courses)
    figure = Figure(figsize=(_WIDTH_INCHES, _PANEL_INCHES * panels + 0.4), dpi=_DOTS_PER_INCH, layout="constrained")
    FigureCanvasAgg(figure)
    axes = figure.subplots(panels, 1, sharex=True, squeeze=False)[:, 0]
    _draw_minutes(axes[0], day)
    for panel, one in zip(axes[1:], courses, strict=True):
        _draw_course(panel, one)
    zone = day.start.tzinfo
    for panel in axes:
        for opening in day.openings:
            panel.axvspan(opening.opens, opening.closes, color=_OPEN, zorder=0)
        panel.set_xlim(*_shown(day))
        panel.grid(visible=True, color="#dddddd", linewidth=0.6)
        panel.spines[["top", "right"]].set_visible(False)
        panel.xaxis.set_major_formatter(DateFormatter("%H:%M", tz=zone))  # type: ignore[no-untyped-call]
    axes[-1].set_xlabel("local time; shaded: open by the hours")
    kept = BytesIO()
    figure.savefig(kept, format="png")
    return kept.getvalue()


def _shown(day: ReportedDay) -> tuple[datetime, datetime]:
    """The time shown: from the first sound or event to the last, with half an hour around."""
    minutes = [datetime.fromisoformat(row.utc) for row in day.logged.minutes if row.performance is not None]
    moments = [*minutes, *(opening.opens for opening in day.openings), *(opening.closes for opening in day.openings)]
    if not moments:
        return day.start, day.end
    around = timedelta(minutes=30)
    return max(day.start, min(moments) - around), min(day.end, max(moments) + around)


def _draw_minutes(axes: Axes, day: ReportedDay) -> None:
    rows = day.logged.minutes
    ends = [datetime.fromisoformat(row.utc) for row in rows]
    highest = -inf
    for label, colour, values in (
        ("LAeq", _A, [row.laeq_db for row in rows]),
        ("LCeq", _C, [row.lceq_db for row in rows]),
    ):
        levels = [nan if value is None else value for value in values]
        highest = max([highest, *(level for level in levels if isfinite(level))])
        _plot(axes, ends, levels, colour, f"{label} of each minute")
    if isfinite(highest):
        axes.set_ylim(max(axes.get_ylim()[0], highest - _SPAN_DB), highest + 6.0)
    happened = {event.utc[:_MINUTE]: event.utc for event in (*day.interventions, *day.faults)}  # a flood is one line
    for utc in happened.values():
        axes.axvline(datetime.fromisoformat(utc), color=_EVENT, linewidth=0.7, alpha=0.6)  # type: ignore[arg-type]
    axes.set_ylabel("dB" if day.physical else "dBFS")
    axes.set_title("Level at the visitor's place; upright lines: interventions and faults", loc="left", fontsize=9)
    if rows:
        axes.legend(loc="lower right", bbox_to_anchor=(1.0, 1.0), ncols=2, fontsize=7, frameon=False)


def _plot(axes: Axes, ends: Sequence[datetime], levels: Sequence[float], colour: str, label: str = "") -> None:
    """Draws a curve; it is interrupted where the log has no rows for a while."""
    moments, values = list[datetime](), list[float]()
    for end, level in zip(ends, levels, strict=True):
        if moments and end - moments[-1] > _GAP:
            moments.append(moments[-1] + _GAP / 2)
            values.append(nan)
        moments.append(end)
        values.append(level)
    axes.plot(moments, values, color=colour, linewidth=1.0, label=label)  # type: ignore[arg-type]


def _draw_course(axes: Axes, one: Course) -> None:
    shown: Callable[[float], float] = gain_from_db if one.cap.quantity.felt else float
    ends, levels = _thinned(one)
    _plot(axes, ends, [shown(level) if isfinite(level) else nan for level in levels], _A)
    limit = shown(one.cap.limit)
    axes.axhline(limit, color=_LIMIT, linewidth=1.1, linestyle="--")
    axes.annotate(
        f"limit {one.cap.limit_in_words}", (1.0, limit), xycoords=("axes fraction", "data"), xytext=(-3, 3),
        textcoords="offset points", ha="right", color=_LIMIT, fontsize=7,
    )  # fmt: skip
    if one.cap.quantity.felt:
        axes.set_ylim(0.0, 1.15 * max(limit, float(np.nanmax([shown(level) for level in levels]))))
    else:
        highest = float(np.max(levels))
        axes.set_ylim(
            max(float(np.min(levels[np.isfinite(levels)])), highest - _SPAN_DB) - 3.0, max(one.cap.limit, highest) + 6.0
        )
    axes.set_ylabel(one.cap.unit.removeprefix("dB re 1 ") if one.cap.quantity.felt else one.cap.unit)
    axes.set_title(f"{one.cap.name}: {one.words}", loc="left", fontsize=9)


def _thinned(one: Course) -> tuple[Sequence[datetime], Floats]:
    """The highest level of each minute: so that every level beyond a limit is visible."""
    minutes = np.array([moment.timestamp() // 60 for moment in one.ends])
    starts = np.flatnonzero(np.diff(minutes, prepend=-1.0))
    return [one.ends[int(start)] for start in starts], np.maximum.reduceat(one.levels, starts)
