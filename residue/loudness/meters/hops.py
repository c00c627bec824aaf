"""Hops of 0.1 s, the unit of time of all levels, and all weightings of a hop."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

import numpy as np
from numpy.typing import NDArray

from residue.dsp.filters import SosFilter
from residue.loudness.meters.weightings import Weighting, a_after_c, sections

Floats = NDArray[np.float64]
Weighted = Mapping[Weighting, Floats]
"""(outputs, frames) for each weighting."""

HOP_FRAMES = 4800
HOP_S = 0.1
HOP_RATE_HZ = 48_000
HOPS_A_SECOND = HOP_RATE_HZ // HOP_FRAMES


class WeightingBank:
    """All weightings in use, over all outputs; it keeps its state between blocks."""

    def __init__(self, weightings: Iterable[Weighting], outputs: int, rate_hz: float = HOP_RATE_HZ) -> None:
        wanted = set(weightings) - {Weighting.Z}
        if Weighting.A in wanted:
            wanted.add(Weighting.C)
        self._filters = {
            weighting: SosFilter(
                a_after_c(rate_hz) if weighting is Weighting.A else sections(weighting, rate_hz), outputs
            )
            for weighting in sorted(wanted, reverse=True)  # A comes last, because it continues from C
        }

    def __call__(self, block: Floats) -> dict[Weighting, Floats]:
        """(outputs, frames) under each weighting, Z included."""
        weighted = {Weighting.Z: block}
        for weighting, weigh in self._filters.items():
            weighted[weighting] = weigh(weighted[Weighting.C] if weighting is Weighting.A else block)
        return weighted

    def go_on_from(self, rows: NDArray[np.intp]) -> None:
        """Each output goes on from the state of another: that of output rows[n] for output n."""
        for weigh in self._filters.values():
            weigh.state = weigh.state[rows]

    def copy(self) -> WeightingBank:
        """A bank in the same state, independent of this one from here on."""
        twin = WeightingBank((), 0)
        twin._filters = {weighting: weigh.copy() for weighting, weigh in self._filters.items()}
        return twin
