"""Pictures of level over time."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.ticker import FuncFormatter
from numpy.typing import NDArray

from residue.loudness.caps import PLACE
from residue.loudness.hops import HOP_FRAMES, HOP_S
from residue.loudness.measure import level_over_time
from residue.loudness.plan import Plan
from residue.loudness.profile import LevelProfile
from residue.loudness.weightings import Weighting
from residue.progress import Progress, silent

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
    _fill(axes, step_s, levels, limits)
    axes.set_title(title, loc="left")
    axes.set_ylabel(f"level in {unit}")
    figure.savefig(path)


def _fill(axes: Axes, step_s: float, levels: Mapping[str, NDArray[np.float64]], limits: Sequence[Line]) -> None:
    """Curves, limits and scales into one pair of axes."""
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
    axes.set_xlabel("time in minutes")
    axes.xaxis.set_major_formatter(FuncFormatter(lambda at_s, _: f"{int(at_s // 60)}:{int(at_s % 60):02d}"))
    axes.grid(visible=True, color="#dddddd", linewidth=0.6)
    axes.spines[["top", "right"]].set_visible(False)
    if levels:
        axes.legend(loc="lower right", fontsize=8, frameon=False)


_WORDS = {
    Weighting.A: "A-weighted",
    Weighting.C: "C-weighted",
    Weighting.K: "K-weighted (LUFS)",
    Weighting.Z: "unweighted",
}


def draw_file(sound: Path, picture: Path, progress: Progress = silent) -> None:
    """Draw the levels of a sound file, second by second. Raises ProblemError if it cannot be read."""
    levels = level_over_time(sound, 1.0, progress)
    draw_levels(picture, title=sound.name, step_s=1.0, levels={_WORDS[key]: curve for key, curve in levels.items()})


def draw_plan(picture: Path, planned: Plan, profiles: Mapping[str, LevelProfile], at: str = PLACE) -> None:
    """Draw what a plan does to each performance, one under the other: A and C levels before and after, and the caps.

    Levels are means over a second, caps hold over longer windows: a curve may cross a limit for a while.
    """
    figure = Figure(
        figsize=(_SIZE_INCHES[0], 3.2 * len(planned.performances)), dpi=_DOTS_PER_INCH, layout="constrained"
    )
    FigureCanvasAgg(figure)
    stacked = figure.subplots(len(planned.performances), 1, squeeze=False)[:, 0]
    for axes, performance in zip(stacked, planned.performances, strict=True):
        profile = profiles[performance.name]
        curves = {}
        for index, ear in enumerate(profile.ears):
            if ear.at == at and ear.weighting in (Weighting.A, Weighting.C) and ear.key not in curves:
                before = _per_second_db(profile.energy[index])
                curves[f"{_WORDS[ear.weighting]}, before"] = before
                curves[f"{_WORDS[ear.weighting]}, as planned"] = before + performance.gain_db
        limits = [Line(f"{near.cap.name}: {near.cap.limit_in_words}", near.cap.limit) for near in performance.nearest]
        _fill(axes, 1.0, curves, limits)
        axes.set_title(performance.words, loc="left", fontsize=8)
    figure.savefig(picture)


def _per_second_db(energy: NDArray[np.float64]) -> NDArray[np.float64]:
    """(hops,) to (seconds,): level of each second, -inf for silence."""
    hops = round(1.0 / HOP_S)
    filled = np.pad(energy, (0, -len(energy) % hops)).reshape(-1, hops)
    with np.errstate(divide="ignore"):
        levels: NDArray[np.float64] = 10.0 * np.log10(np.sum(filled, axis=1) / (hops * HOP_FRAMES))
    return levels
