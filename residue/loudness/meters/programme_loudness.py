"""Loudness of a stream by ITU-R BS.1770 and EBU Tech 3341 and 3342, hop by hop, for a stream of any length."""

from __future__ import annotations

import numpy as np
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
        """Momentary and short-term loudness at the end of the hop, (places,) each, as K-weighted mean squares."""
        self.momentary_max = np.zeros(places)
        """The highest momentary loudness within the hop."""

    def __call__(self, grains: Floats) -> None:
        """Takes one hop: K-weighted energies, (places, GRAINS_PER_HOP), summed over the outputs of each place."""
        self._grains = np.concatenate((self._grains[:, GRAINS_PER_HOP:], grains), axis=1)
        self._counted += 1
        momentary = _MOMENTARY_HOPS * GRAINS_PER_HOP
        windows = np.lib.stride_tricks.sliding_window_view(
            self._grains[:, -(momentary + GRAINS_PER_HOP - 1) :], momentary, axis=1
        )
        sums = np.add.reduce(windows, axis=2) / (_MOMENTARY_HOPS * HOP_FRAMES)
        self.momentary_max = np.max(sums, axis=1)
        self.means = (sums[:, -1], np.add.reduce(self._grains, axis=1) / (_SHORT_TERM_HOPS * HOP_FRAMES))
        for blocks, hops, means in zip(self._blocks, (_MOMENTARY_HOPS, _SHORT_TERM_HOPS), self.means, strict=True):
            if self._counted >= hops:
                self._count(blocks, means)

    @staticmethod
    def _count(blocks: NDArray[np.int32], powers: Floats) -> None:
        loud = np.flatnonzero(powers > _BIN_POWERS[0])
        levels = gating.OFFSET_LU + 10.0 * np.log10(powers[loud])
        bins = np.minimum((levels - _LOWEST_LUFS) * _BINS_PER_LU, _BINS - 1.0).astype(np.int64)
        blocks[loud, bins] += 1

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
