"""Loudness of a stream by ITU-R BS.1770 and EBU Tech 3341 and 3342, hops at a time, for a stream of any length."""

from __future__ import annotations

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from residue.loudness.meters import gating
from residue.loudness.meters.hops import HOP_FRAMES

Floats = NDArray[np.float64]

GRAINS_PER_HOP = 10
"""Momentary loudness is computed every 10 ms: EBU Tech 3341, case 14 moves its bursts by steps of 20 ms."""
_MOMENTARY_HOPS, _SHORT_TERM_HOPS = 4, 30
_LOWEST_LUFS, _HIGHEST_LUFS, _BINS_PER_LU = -70.0, 30.0, 100
_BINS = round((_HIGHEST_LUFS - _LOWEST_LUFS) * _BINS_PER_LU)
_BIN_POWERS = gating.powers(_LOWEST_LUFS + (np.arange(_BINS) + 0.5) / _BINS_PER_LU)


class ProgrammeLoudness:
    """Momentary, short-term and integrated loudness and loudness range at some places.

    Blocks are counted in bins of 0.01 LU, so that a day needs no more memory than a minute.
    """

    def __init__(self, places: int) -> None:
        self._grains = np.zeros((places, _SHORT_TERM_HOPS * GRAINS_PER_HOP))
        self._counted = 0
        self._blocks = np.zeros((2, places, _BINS), dtype=np.int32)
        self.means = (np.zeros(places), np.zeros(places))
        """Momentary and short-term loudness at the end of the last hop, (places,) each, as K-weighted mean squares."""
        self.momentary_max, self.short_term_max = np.zeros(places), np.zeros(places)
        """The highest within the hops that were taken last."""

    def __call__(self, grains: Floats) -> None:
        """Takes some hops: K-weighted energies, (places, hops * GRAINS_PER_HOP), summed over the outputs of a place."""
        kept, hops = self._grains.shape[1], grains.shape[1] // GRAINS_PER_HOP
        momentary = _MOMENTARY_HOPS * GRAINS_PER_HOP
        history = np.concatenate((self._grains, grains), axis=1)
        self._grains = history[:, -kept:].copy()
        recent = sliding_window_view(history[:, kept + 1 - momentary :], momentary, axis=1)
        sums = np.add.reduce(recent, axis=2) / (_MOMENTARY_HOPS * HOP_FRAMES)
        longer = sliding_window_view(history, kept, axis=1)[:, GRAINS_PER_HOP::GRAINS_PER_HOP]
        both = (
            sums[:, GRAINS_PER_HOP - 1 :: GRAINS_PER_HOP],
            np.add.reduce(longer, axis=2) / (_SHORT_TERM_HOPS * HOP_FRAMES),
        )
        self.momentary_max, self.short_term_max = np.max(sums, axis=1), np.max(both[1], axis=1)
        self.means = (both[0][:, -1], both[1][:, -1])
        for blocks, least, means in zip(self._blocks, (_MOMENTARY_HOPS, _SHORT_TERM_HOPS), both, strict=True):
            self._count(blocks, means[:, max(0, least - 1 - self._counted) :])
        self._counted += hops

    @staticmethod
    def _count(blocks: NDArray[np.int32], powers: Floats) -> None:
        place, hop = np.nonzero(powers > _BIN_POWERS[0])
        levels = gating.OFFSET_LU + 10.0 * np.log10(powers[place, hop])
        bins = np.minimum((levels - _LOWEST_LUFS) * _BINS_PER_LU, _BINS - 1.0).astype(np.int64)
        np.add.at(blocks, (place, bins), 1)

    def whole(self) -> list[tuple[float | None, float | None]]:
        """Integrated loudness and loudness range since the start, for each place."""
        found = []
        for momentary, short_term in zip(*self._blocks, strict=True):
            some, also = np.flatnonzero(momentary), np.flatnonzero(short_term)
            integrated = gating.integrated_lufs(_BIN_POWERS[some], momentary[some])
            found.append((integrated, gating.loudness_range_lu(_BIN_POWERS[also], short_term[also])))
        return found

    def begin(self) -> None:
        """Starts integrated loudness and loudness range again."""
        self._blocks[:] = 0
        self._counted = 0
