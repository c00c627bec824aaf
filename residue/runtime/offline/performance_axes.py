"""Axes over the time of a performance, as the pictures of the artist have them: plain, with its sections."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from matplotlib.axes import Axes
from matplotlib.ticker import FuncFormatter, MaxNLocator

_SECTION = "#8b8f94"


def plain(axes: Axes, label: str) -> None:
    """Axes with small words, a pale grid behind the curves, and no frame above and on the right."""
    axes.set_ylabel(label, fontsize=8)
    axes.tick_params(labelsize=8)
    axes.grid(visible=True, color="#e4e4e4", linewidth=0.6)
    axes.set_axisbelow(True)
    axes.spines[["top", "right"]].set_visible(False)


def draw_sections(rows: Sequence[Axes], sections: Iterable[tuple[float, str]]) -> None:
    """A dashed line through all rows where a section begins, in seconds, and its name above the first."""
    for begins_s, name in sections:
        for axes in rows:
            axes.axvline(begins_s, color=_SECTION, linewidth=1.0, linestyle="--")
        rows[0].annotate(
            name, (begins_s, 1.0), xycoords=("data", "axes fraction"), xytext=(3, 2), textcoords="offset points",
            color=_SECTION, fontsize=8,
        )  # fmt: skip


def scale_time(axes: Axes, first_s: float, last_s: float, *, seconds: str, legend: str = "") -> None:
    """Minutes and seconds below the lowest row. seconds: how they are written; legend: more words beside it."""
    if last_s > first_s:
        axes.set_xlim(first_s, last_s)
    axes.set_xlabel(f"time in the performance, minutes{legend}", fontsize=8)
    axes.xaxis.set_major_locator(MaxNLocator(nbins=10, steps=[1, 1.5, 2, 3, 6, 10]))
    axes.xaxis.set_major_formatter(FuncFormatter(lambda at_s, _: f"{int(at_s // 60)}:{at_s % 60:{seconds}}"))
