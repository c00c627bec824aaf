"""The picture of a recording: every channel over time."""

from __future__ import annotations

import io
from collections.abc import Mapping

import numpy as np
from matplotlib.figure import Figure

from residue.archive.ingest.quality import Quality
from residue.archive.performance import Performance

_WIDTH_IN, _ROW_IN, _DPI = 12.0, 1.2, 100
_MOST_COLUMNS = 4000
"""Nobody can see more columns, and an evening has ten times as many cells."""


def draw(performance: Performance, qualities: Mapping[str, Quality]) -> bytes:
    """A PNG with one row a channel, from the lowest to the highest value of each moment; marks as dashed lines."""
    figure = Figure(figsize=(_WIDTH_IN, 1.0 + _ROW_IN * len(qualities)), dpi=_DPI, layout="constrained")
    rows = figure.subplots(len(qualities), 1, sharex=True, squeeze=False)[:, 0]
    for row, (name, quality) in zip(rows, qualities.items(), strict=True):
        channel = performance.channel[name]
        lows, highs, width_s = _thinned(quality)
        times_s = channel.start_s + np.arange(len(lows) + 1) * width_s
        lows, highs = np.append(lows, lows[-1]), np.append(highs, highs[-1])
        row.fill_between(times_s, lows, highs, step="post", linewidth=0.4, color="black", facecolor="0.4")
        row.set_ylabel(f"{name}\n{channel.unit}", fontsize=7)
        row.tick_params(labelsize=7)
        for mark in performance.mark:
            row.axvline(mark.at_s, color="0.2", linewidth=0.6, linestyle="--")
    rows[-1].set_xlabel("s", fontsize=7)
    figure.suptitle(performance.title, fontsize=9)
    written = io.BytesIO()
    figure.savefig(written, format="png", metadata={"Software": None})
    return written.getvalue()


def _thinned(quality: Quality) -> tuple[np.ndarray, np.ndarray, float]:
    """The extremes of groups of cells, and the length of a group."""
    many = -(-len(quality.lows) // _MOST_COLUMNS)
    short = -len(quality.lows) % many
    lows = np.pad(quality.lows, (0, short), mode="edge").reshape(-1, many)
    highs = np.pad(quality.highs, (0, short), mode="edge").reshape(-1, many)
    return lows.min(axis=1), highs.max(axis=1), many * quality.cell_s
