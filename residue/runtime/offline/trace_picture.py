"""A trace as a picture: a row for each signal, over one time."""

from __future__ import annotations

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from numpy.typing import NDArray

from residue.dsp.switching import stretches
from residue.mapping.drawing import COLOURS
from residue.mapping.signals import Kind
from residue.mapping.trust import DOUBTFUL, trust_of
from residue.runtime.offline.performance_axes import draw_sections, plain, scale_time
from residue.runtime.offline.tracing import Trace

_WIDTH_IN, _ROW_IN, _DOTS_PER_INCH = 12.0, 1.5, 110
_MOST_POINTS = 3_000
"""Nobody can see more points: the lowest and the highest value of so many stretches are drawn."""
_UNKNOWN = "#ececec"


def draw(traced: Trace) -> Figure:
    """Every signal of the trace; sections as dashed lines; a shade where a reading of the body is not measured."""
    shaded = {trust_of(name) for name in traced.kinds}
    kinds = {name: kind for name, kind in traced.kinds.items() if name not in shaded}
    figure = Figure(figsize=(_WIDTH_IN, 0.9 + _ROW_IN * len(kinds)), dpi=_DOTS_PER_INCH, layout="constrained")
    rows = list(figure.subplots(len(kinds), 1, sharex=True, squeeze=False)[:, 0])
    for axes, (name, kind) in zip(rows, kinds.items(), strict=True):
        if kind is Kind.EVENTS:
            _draw_events(axes, traced, name)
        else:
            _draw_signal(axes, traced.times_s, traced.columns[name], kind)
        if trust_of(name) in traced.columns:
            _shade(axes, traced.times_s, traced.columns[trust_of(name)] < DOUBTFUL)
        plain(axes, f"{name}\n{_WORDS[kind]}")
    draw_sections(rows, traced.sections)
    legend = "; grey: held or not known" if shaded & traced.columns.keys() else ""
    first_s, last_s = (traced.times_s[0], traced.times_s[-1]) if len(traced.times_s) else (0.0, 0.0)
    scale_time(rows[-1], first_s, last_s, seconds="04.1f", legend=legend)
    figure.suptitle(traced.title, fontsize=10, x=0.01, ha="left")
    return figure


_WORDS = {Kind.SLOW: "slow", Kind.FAST: "sound, magnitude", Kind.EVENTS: "events"}


def _draw_signal(axes: Axes, times_s: NDArray[np.float64], values: NDArray[np.float64], kind: Kind) -> None:
    """Draws a line; for a sound, the area under its magnitude."""
    if not len(values):
        return
    each = -(-len(values) // _MOST_POINTS)
    stretches = np.pad(values, (0, -len(values) % each), mode="edge").reshape(-1, each)
    at_s = times_s[::each]
    if kind is Kind.FAST:
        axes.fill_between(at_s, stretches.max(axis=1), color=COLOURS[kind], linewidth=0.0, alpha=0.8)
        axes.set_ylim(bottom=0.0)
    elif each == 1:
        axes.plot(times_s, values, color=COLOURS[kind], linewidth=1.1)
    else:
        axes.fill_between(
            at_s,
            stretches.min(axis=1),
            stretches.max(axis=1),
            color=COLOURS[kind],
            linewidth=1.0,
            edgecolor=COLOURS[kind],
        )


def _shade(axes: Axes, times_s: NDArray[np.float64], doubtful: NDArray[np.bool_]) -> None:
    """Draws a grey background while a reading is held and not measured."""
    for begins, ends in stretches(doubtful):
        axes.axvspan(times_s[begins], times_s[min(ends, len(times_s) - 1)], color=_UNKNOWN, linewidth=0.0, zorder=0)


def _draw_events(axes: Axes, traced: Trace, name: str) -> None:
    happened = [one for one in traced.events if one.signal == name]
    if happened:
        at_s, values = [one.at_s for one in happened], [one.value for one in happened]
        axes.vlines(at_s, 0.0, values, color=COLOURS[Kind.EVENTS], linewidth=0.8)
        axes.plot(at_s, values, ".", color=COLOURS[Kind.EVENTS], markersize=4)
