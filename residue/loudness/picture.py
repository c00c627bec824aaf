"""Pictures of level over time."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.ticker import FuncFormatter
from numpy.typing import NDArray

_CURVES = ("#1f3b57", "#b0582a", "#3f7d53", "#7a4b8c", "#8a8a2d", "#5a5a5a")
_LIMIT = "#c0202c"
_SIZE_INCHES, _DOTS_PER_INCH = (11.0, 4.5), 110
_SPAN_DB = 70.0
"""What lies further below the highest curve or limit is not shown."""


@dataclass(frozen=True, slots=True)
class Line:
    """A limit drawn across the picture."""

    label: str
    level: float


def draw_levels(
    path: Path,
    *,
    title: str,
    step_s: float,
    levels: Mapping[str, NDArray[np.float64]],
    limits: Sequence[Line] = (),
    unit: str = "dBFS",
) -> None:
    """Draw level curves (one value every step_s) and limits into a PNG or SVG, by the ending of the path."""
    figure = Figure(figsize=_SIZE_INCHES, dpi=_DOTS_PER_INCH, layout="constrained")
    FigureCanvasAgg(figure)
    axes = figure.add_subplot()
    for colour, (label, curve) in zip(_CURVES * len(levels), levels.items(), strict=False):
        heard = np.where(np.isfinite(curve), curve, np.nan)
        axes.plot(np.arange(1, len(curve) + 1) * step_s, heard, color=colour, linewidth=1.1, label=label)
    for limit in limits:
        axes.axhline(limit.level, color=_LIMIT, linewidth=1.2, linestyle="--")
        axes.annotate(
            limit.label, (1.0, limit.level), xycoords=("axes fraction", "data"), xytext=(-4, 3),
            textcoords="offset points", ha="right", color=_LIMIT, fontsize=8,
        )  # fmt: skip
    everything = [*(curve[np.isfinite(curve)] for curve in levels.values()), np.array([line.level for line in limits])]
    highest = max((float(np.max(values)) for values in everything if len(values)), default=0.0)
    axes.set_ylim(highest - _SPAN_DB, highest + 6.0)
    axes.set_xlim(left=0.0)
    axes.set_title(title, loc="left")
    axes.set_ylabel(f"level in {unit}")
    axes.set_xlabel("time in minutes")
    axes.xaxis.set_major_formatter(FuncFormatter(lambda at_s, _: f"{int(at_s // 60)}:{int(at_s % 60):02d}"))
    axes.grid(visible=True, color="#dddddd", linewidth=0.6)
    axes.spines[["top", "right"]].set_visible(False)
    if levels:
        axes.legend(loc="lower right", fontsize=8, frameon=False)
    figure.savefig(path)
