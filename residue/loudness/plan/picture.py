"""Pictures of level over time."""

from __future__ import annotations

import textwrap
from collections.abc import Mapping
from math import inf
from pathlib import Path

import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.ticker import FuncFormatter, MultipleLocator
from matplotlib.transforms import ScaledTranslation
from numpy.typing import NDArray

from residue.durations import place_in_words
from residue.loudness.caps.caps import PLACE, reached_in_words
from residue.loudness.meters.hops import HOP_RATE_HZ, HOP_S, HOPS_A_SECOND
from residue.loudness.meters.measure import level_over_time
from residue.loudness.meters.weightings import Weighting
from residue.loudness.outputs.outputs import Output
from residue.loudness.plan.arc import GainCurve
from residue.loudness.plan.changes import Changed, changes
from residue.loudness.plan.plan import Plan, PlannedPerformance
from residue.loudness.plan.profile import LevelProfile
from residue.progress import Progress, silent

_CURVES = ("#1f3b57", "#b0582a", "#3f7d53", "#7a4b8c", "#8a8a2d", "#5a5a5a")
_LIMIT = "#c0202c"
_SIZE_INCHES, _DOTS_PER_INCH = (11.0, 4.5), 110
_TICKS_S, _MOST_TICKS = (10, 30, 60, 120, 300, 600, 1200, 1800, 3600), 8
_WORDS_WIDTH = 100
_BELOW_INCHES, _LINE_INCHES = 0.5, 0.17
"""The distance of a legend below its axes, and the height of one of its lines."""
_THINNED = 10
"""Every tenth hop of the level over a window is drawn: one a second."""
_SPAN_DB = 70.0
"""Curves further below the highest one are not shown."""


def draw_levels(title: str, step_s: float, levels: Mapping[str, NDArray[np.float64]]) -> Figure:
    """Level curves, one value every step_s, in dBFS."""
    figure = Figure(figsize=_SIZE_INCHES, dpi=_DOTS_PER_INCH, layout="constrained")
    FigureCanvasAgg(figure)
    axes = figure.add_subplot()
    _fill(axes, step_s, levels)
    axes.set_title(title, loc="left")
    axes.set_ylabel("level in dBFS")
    return figure


def _fill(
    axes: Axes,
    step_s: float,
    levels: Mapping[str, NDArray[np.float64]],
    lightly: str | None = None,
) -> None:
    """Draws curves and scales into one pair of axes. lightly: curves with this in their label are pale."""
    colours = iter(_CURVES * (1 + len(levels)))
    colour = next(colours)
    for label, curve in levels.items():
        heard = np.where(np.isfinite(curve), curve, np.nan)
        pale = 0.4 if lightly is not None and lightly in label else 1.0
        axes.plot(np.arange(1, len(curve) + 1) * step_s, heard, color=colour, linewidth=1.1, label=label, alpha=pale)
        if pale == 1.0:  # a pale curve has the colour of the one after it
            colour = next(colours)
    everything = [curve[np.isfinite(curve)] for curve in levels.values()]
    highest = max((float(np.max(values)) for values in everything if len(values)), default=0.0)
    axes.set_ylim(highest - _SPAN_DB, highest + 6.0)
    axes.set_xlim(left=0.0)
    _finish(axes, len(levels) if lightly is None else len(levels) // 2)


def _finish(axes: Axes, columns: int) -> None:
    """Draws scale and grid, and the legend in so many columns below, where no curve crosses it."""
    axes.set_xlabel("time in minutes")
    span_s = axes.get_xlim()[1]
    axes.xaxis.set_major_locator(MultipleLocator(next((s for s in _TICKS_S if span_s / s <= _MOST_TICKS), 3600)))
    axes.xaxis.set_major_formatter(FuncFormatter(lambda at_s, _: place_in_words(at_s)))
    axes.grid(visible=True, color="#dddddd", linewidth=0.6)
    axes.spines[["top", "right"]].set_visible(False)
    if axes.get_legend_handles_labels()[0]:
        below = axes.transAxes + ScaledTranslation(0.0, -_BELOW_INCHES, axes.figure.dpi_scale_trans)
        anchor = {"bbox_to_anchor": (0.0, 0.0), "bbox_transform": below}
        axes.legend(loc="upper left", ncols=columns, fontsize=8, frameon=False, **anchor)


_WORDS = {
    Weighting.A: "A-weighted",
    Weighting.C: "C-weighted",
    Weighting.K: "K-weighted (LUFS)",
    Weighting.Z: "unweighted",
}


def draw_file(sound: Path, progress: Progress = silent) -> Figure:
    """Draws the levels of a sound file, second by second.

    Raises ProblemError if it cannot be read.
    """
    levels = level_over_time(sound, 1.0, progress)
    return draw_levels(sound.name, 1.0, {_WORDS[key]: curve for key, curve in levels.items()})


def draw_plan(planned: Plan, profiles: Mapping[str, LevelProfile], outputs: Mapping[str, Output]) -> Figure:
    """Draws the effect of a plan, a row for each performance.

    At the left is its level before and under the plan, in the middle the change of each output against the mapping, at
    the right the level over each cap's window against its limit.
    """
    count = len(planned.performances)
    lines = max(len(performance.nearest) for performance in planned.performances)
    figure = Figure(
        figsize=(1.8 * _SIZE_INCHES[0], (3.4 + lines * _LINE_INCHES) * count), dpi=_DOTS_PER_INCH, layout="constrained"
    )
    FigureCanvasAgg(figure)
    rows = figure.subplots(count, 3, squeeze=False)
    for (levels, changed, caps), performance in zip(rows, planned.performances, strict=True):
        _fill_changes(changed, changes(profiles[performance.name], performance, outputs))
        _fill(levels, 1.0, _before_and_after(performance, profiles[performance.name]), lightly="before")
        words = "\n".join(textwrap.wrap(performance.words, _WORDS_WIDTH))
        levels.set_title(words, loc="left", fontsize=8)
        levels.set_ylabel("level of each second at the visitor's place", fontsize=8)
        _fill_caps(caps, performance)
    return figure


def _fill_changes(axes: Axes, changed: Mapping[str, Changed]) -> None:
    """Draws the level of each output after the stage, relative to what the mapping gives it."""
    lowest = -6.0
    for colour, one in zip(_CURVES * len(changed), changed.values(), strict=False):
        at_s = np.arange(1, len(one.course_db) + 1)
        axes.plot(at_s, one.course_db, color=colour, linewidth=1.1, label=f"{one.output}, {one.band_in_words}")
        known = one.course_db[np.isfinite(one.course_db)]
        lowest = min(lowest, float(np.min(known, initial=0.0)))
    axes.set_ylim(max(lowest - 3.0, -_SPAN_DB), 3.0)
    axes.set_xlim(left=0.0)
    axes.set_ylabel("dB against the mapping", fontsize=8)
    axes.set_title(
        "what plan and cap stage change, output by output, and the band that is sent", loc="left", fontsize=8
    )
    _finish(axes, 1)


def _before_and_after(performance: PlannedPerformance, profile: LevelProfile) -> dict[str, NDArray[np.float64]]:
    curves: dict[str, NDArray[np.float64]] = {}
    hops = np.arange(profile.hops, dtype=float)
    moving = GainCurve(performance.knots_db).levels_db(hops)
    gain = 10.0 ** ((performance.gain_db + moving) / 10.0)
    for index, ear in enumerate(profile.ears):
        if ear.at == PLACE and ear.weighting in (Weighting.A, Weighting.C):
            # The first ear is shown; a cap in dBFS may have another ear at the same place.
            before, after = (f"{_WORDS[ear.weighting]}, {when}" for when in ("before", "as planned"))
            curves.setdefault(before, _per_second_db(profile.energy[index]))
            curves.setdefault(after, _per_second_db(profile.energy[index] * gain))
    return curves


def _fill_caps(axes: Axes, performance: PlannedPerformance) -> None:
    """Draws the level over each cap's window relative to its limit, the line at 0, and marks the nearest point."""
    axes.axhline(0.0, color=_LIMIT, linewidth=1.2, linestyle="--")
    lowest = -6.0
    for colour, near in zip(_CURVES * len(performance.nearest), performance.nearest, strict=False):
        if near.level == -inf:
            continue
        if near.course is not None:
            below = near.course - near.cap.limit
            at_s = np.arange(1, len(below) + 1) * HOP_S
            axes.plot(
                at_s[::_THINNED], np.where(np.isfinite(below), below, np.nan)[::_THINNED], color=colour, linewidth=1.1
            )
        reached = reached_in_words(near.level, near.cap.limit, near.cap.unit)
        label = f"{near.cap.name}: {reached} at {near.at_in_words}"
        axes.plot([near.at_s], [-near.headroom_db], "o", color=colour, markersize=5, label=label)
        lowest = min(lowest, -near.headroom_db)
    axes.set_ylim(max(lowest - 12.0, -_SPAN_DB), 4.0)
    axes.set_xlim(left=0.0)
    axes.set_ylabel("dB below the limit", fontsize=8)
    axes.set_title("nearest approach to each cap, over its own window", loc="left", fontsize=8)
    _finish(axes, 1)


def _per_second_db(energy: NDArray[np.float64]) -> NDArray[np.float64]:
    """(hops,) to (seconds,): level of each second, -inf for silence."""
    filled = np.pad(energy, (0, -len(energy) % HOPS_A_SECOND)).reshape(-1, HOPS_A_SECOND)
    with np.errstate(divide="ignore"):
        levels: NDArray[np.float64] = 10.0 * np.log10(np.sum(filled, axis=1) / HOP_RATE_HZ)
    return levels
