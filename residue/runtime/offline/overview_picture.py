"""A performance at a glance as a picture, alone or with another one beside it."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from numpy.typing import NDArray

from residue.runtime.offline.overview import EDGES_HZ, ROW_S, PerformanceOverview
from residue.runtime.offline.performance_axes import draw_sections, plain, scale_time

_COLUMN_IN, _LEVEL_IN, _SPECTRUM_IN, _READING_IN = 9.0, 1.5, 2.4, 1.1
_LEGEND_IN = 0.4
"""Below the lowest row, under the words of its scale."""
_DOTS_PER_INCH = 110
_MAPPED, _SENT, _READING = "#b0582a", "#1f3b57", "#3f7d53"
_LEVEL_SPAN_DB, _SPECTRUM_SPAN_DB = 60.0, 70.0
_NOTHING_DB = 0.05
"""A lowering by less would be written as 0.0 dB."""


def draw(shown: Sequence[PerformanceOverview]) -> Figure:
    """A column for each performance: a row for each output, one for the spectrum, and one for each reading.

    All columns have the same scales, so that they can be compared.
    """
    outputs = list(dict.fromkeys(name for one in shown for name in one.sent_dbfs))
    readings = list(dict.fromkeys(name for one in shown for name in one.readings))
    heights = [_LEVEL_IN] * len(outputs) + [_SPECTRUM_IN] + [_READING_IN] * len(readings)
    figure = Figure(figsize=(_COLUMN_IN * len(shown), sum(heights) + 0.9), dpi=_DOTS_PER_INCH, layout="constrained")
    FigureCanvasAgg(figure)
    grid = figure.subplots(len(heights), len(shown), sharex=True, sharey="row", squeeze=False, height_ratios=heights)
    loudest = max(float(levels.max()) for one in shown for levels in one.mapped_dbfs.values())
    brightest = max(float(one.bands_dbfs.max()) for one in shown)
    longest_s = max(len(one.times_s) for one in shown) * ROW_S
    for column, one in enumerate(shown):
        axes = list(grid[:, column])
        for name, each in zip(outputs, axes, strict=False):
            _draw_levels(each, one, name, loudest)
        _draw_spectrum(axes[len(outputs)], one, brightest)
        for name, each in zip(readings, axes[len(outputs) + 1 :], strict=True):
            _draw_reading(each, one, name)
        draw_sections(axes, one.sections)
        planned = (
            f"lowered by {-one.gain_db:.1f} dB throughout" if one.gain_db < -_NOTHING_DB else "not lowered as a whole"
        )
        axes[0].set_title(f"{one.title}; by the plan {planned}", loc="left", fontsize=10, pad=18)
        if handles := axes[0].get_legend_handles_labels()[0]:  # below all, as a curve may run through any corner
            where = {"loc": "upper right", "bbox_to_anchor": (1.0, -_LEGEND_IN / heights[-1])}
            axes[-1].legend(handles=handles, fontsize=8, frameon=False, ncols=2, **where)
        scale_time(axes[-1], 0.0, longest_s, seconds="02.0f")
    return figure


def _draw_levels(axes: Axes, one: PerformanceOverview, name: str, loudest: float) -> None:
    plain(axes, f"level of {name}\ndBFS")
    if name not in one.sent_dbfs:
        return
    axes.plot(one.times_s, one.mapped_dbfs[name], color=_MAPPED, linewidth=0.9, label="as the piece gives it")
    axes.plot(one.times_s, one.sent_dbfs[name], color=_SENT, linewidth=1.1, label="as sent, after plan and cap")
    axes.set_ylim(loudest - _LEVEL_SPAN_DB, loudest + 3.0)


def _draw_spectrum(axes: Axes, one: PerformanceOverview, brightest: float) -> None:
    edges_s = np.append(one.times_s, len(one.times_s) * ROW_S)
    mesh = axes.pcolormesh(
        edges_s, EDGES_HZ, one.bands_dbfs, cmap="magma", vmin=brightest - _SPECTRUM_SPAN_DB, vmax=brightest,
        rasterized=True,
    )  # fmt: skip
    axes.set_yscale("log")
    axes.set_ylim(EDGES_HZ[0], EDGES_HZ[-1])
    axes.set_yticks([31.5, 125, 500, 2000, 8000], ["31.5", "125", "500", "2k", "8k"])
    axes.minorticks_off()
    axes.set_ylabel("frequency, all outputs\nHz", fontsize=8)
    axes.tick_params(labelsize=8)
    scale = axes.figure.colorbar(mesh, cax=axes.inset_axes((1.008, 0.0, 0.012, 1.0)))
    scale.ax.tick_params(labelsize=7)
    scale.set_label("level of a sixth of an octave, dBFS", fontsize=7)


def _draw_reading(axes: Axes, one: PerformanceOverview, name: str) -> None:
    plain(axes, f"{name},\na reading")
    values: NDArray[np.float64] | None = one.readings.get(name)
    if values is not None:
        axes.plot(one.times_s[: len(values)], values, color=_READING, linewidth=1.0)
