"""The pictures of a survey: the sections of each performance, and each quantity over all of them."""

from __future__ import annotations

from collections.abc import Sequence
from io import BytesIO
from statistics import median

import numpy as np
from matplotlib import colormaps
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

from residue.runtime.offline.performance_axes import plain
from residue.runtime.survey.columns import SurveyColumn
from residue.runtime.survey.row import SurveyedPerformance

_WIDTH_IN, _DOTS_PER_INCH = 9.0, 110
_BAR_IN, _HIGHEST_IN, _STRIP_IN = 0.2, 14.0, 0.62
_MOST_NAMED = 60
"""Beyond so many, the names would run into each other."""
_DOT, _MEDIAN = "#1f3b57", "#b0582a"


def sections_picture(sections: Sequence[str], rows: Sequence[SurveyedPerformance]) -> bytes:
    """A PNG: a bar for each performance, from its beginning on, with a colour for each section."""
    height_in = min(_HIGHEST_IN, 1.2 + _BAR_IN * len(rows))
    figure = Figure(figsize=(_WIDTH_IN, height_in), dpi=_DOTS_PER_INCH, layout="constrained")
    axes = figure.subplots()
    plain(axes, "")
    colours = colormaps["cividis"](np.linspace(0.05, 0.95, max(1, len(sections))))
    places, begins_min = np.arange(len(rows)), np.zeros(len(rows))
    for number, name in enumerate(sections):
        lengths_min = np.array([(row.section_s[number] or 0.0) / 60.0 for row in rows])
        axes.barh(places, lengths_min, left=begins_min, height=0.8, color=colours[number], label=name)
        begins_min += lengths_min
    axes.set_ylim(len(rows) - 0.5, -0.5)  # the first one is the highest
    if len(rows) <= _MOST_NAMED:
        axes.set_yticks(places, [row.name for row in rows])
    else:
        axes.set_yticks([])
    axes.set_xlabel("minutes", fontsize=8)
    figure.legend(loc="outside upper left", fontsize=8, frameon=False, ncols=4)
    return _png(figure)


def strips_picture(columns: Sequence[SurveyColumn], rows: Sequence[SurveyedPerformance]) -> bytes:
    """A PNG: for each quantity a line with a dot for each performance, and a mark at the median."""
    figure = Figure(figsize=(_WIDTH_IN, 0.4 + _STRIP_IN * len(columns)), dpi=_DOTS_PER_INCH, layout="constrained")
    grid = figure.subplots(len(columns), 1, squeeze=False)[:, 0]
    for column, axes in zip(columns, grid, strict=True):
        scale = 60.0 if column.name.endswith("_s") else 1.0
        values = [value / scale for value, _ in column.figures(rows)]
        plain(axes, "")
        # Dots of like value stand at several heights, the same on every run, so that none hides another.
        heights = [(number * 0.618) % 1.0 for number in range(len(values))]
        axes.plot(values, heights, "o", color=_DOT, markersize=4, alpha=0.5, markeredgewidth=0)
        axes.axvline(median(values), color=_MEDIAN, linewidth=1.4)
        axes.set_ylim(-0.2, 1.2)
        if column.name.endswith("_trust"):
            axes.set_xlim(-0.02, 1.02)
        axes.set_yticks([])
        head = column.head.replace(", min:s", ", min")
        axes.set_ylabel(head, rotation=0, horizontalalignment="right", verticalalignment="center", fontsize=8)
    return _png(figure)


def _png(figure: Figure) -> bytes:
    FigureCanvasAgg(figure)
    written = BytesIO()
    figure.savefig(written, format="png")
    return written.getvalue()
