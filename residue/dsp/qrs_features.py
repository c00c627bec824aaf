"""Features of an ECG for finding beats: its strength in two bands, its shape, and its jumps.

Anything shorter than any wave of a heart (clicks, the pulses of a pacemaker: 0.1 to 2 ms in IEC 60601-2-27, from
memory) is removed by a running median, hum by a mean over each period of the mains. A QRS complex is strong both below
and above the middle of its band; movement is strong only below, muscle only above. Therefore the strength is the
geometric mean of both, which is our choice. Source of slope, square and moving sum: Pan and Tompkins, IEEE Trans Biomed
Eng 32 (1985) 230-236.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from residue.dsp import filters
from residue.dsp.exact import Floats
from residue.dsp.filters import FromFirst, SosFilter
from residue.dsp.kernel import running_median
from residue.dsp.sliding import SlidingMean, sliding_sum

HOP_S = 0.005
SLOPE_S = 0.01
_MAINS_HZ = (50.0, 60.0)
"""A mean over one period of each removes hum, and much of what muscles add."""
_BANDS_HZ = ((7.0, 20.0), (13.0, 35.0))
_SHAPE_HZ = (5.0, 40.0)
"""The band in which a QRS complex keeps its shape; beats are placed and compared in it."""
_SHAPE_DELAY_S = 0.0015
_CLICK_S, _JUMP_S = 0.008, 0.003


@dataclass(frozen=True, slots=True, kw_only=True)
class BeatPace:
    """The time that a finder waits for a beat to be over.

    sum_s: length of the moving sum. fallen: the sum must fall below this share of its top.
    late_s: so long after the R wave nearly every beat is known.
    unrest: the fluctuation of the sum in noise, relative to a sum of 150 ms.
    """

    sum_s: float
    fallen: float
    late_s: float
    unrest: float


class Hop(NamedTuple):
    """A summary of 5 ms: the highest and the lowest deflection with their places in the stream.

    shape: the deflection at its end. jump: the largest change within 3 ms. top, bottom: of the ECG without its clicks.
    hum: the most that was removed with the hum. rough: the mean of what was removed with the clicks, but for hum.
    """

    highest: float
    highest_at: int
    lowest: float
    lowest_at: int
    shape: float
    slope: float
    strength: float
    top: float
    bottom: float
    jump: float
    hum: float
    rough: float


class Features:
    """Takes an ECG at rate_hz piece by piece and gives the hops that became complete.

    delay: the deflections are so many values later than the ECG.
    """

    def __init__(self, rate_hz: int, pace: BeatPace) -> None:
        self._hop = round(HOP_S * rate_hz)
        self._centre, self._median = FromFirst(), _Median(round(_CLICK_S * rate_hz))
        self._before_jump, self._late = _Before(round(_JUMP_S * rate_hz)), _Before(round(_CLICK_S * rate_hz))
        self._means, self._rough_means = (
            [SlidingMean(round(rate_hz / mains_hz)) for mains_hz in _MAINS_HZ] for _ in range(2)
        )
        self._bands = [_Band(band_hz, rate_hz, pace.sum_s) for band_hz in _BANDS_HZ]
        self._shape = SosFilter(filters.bandpass(_SHAPE_HZ, rate_hz, 1))
        self._waiting = np.empty((7, 0))
        self._seen = 0
        self.delay = round((_SHAPE_DELAY_S + _CLICK_S) * rate_hz)
        for mains_hz in _MAINS_HZ:
            self.delay += (round(rate_hz / mains_hz) - 1) // 2

    def __call__(self, ecg: Floats) -> list[Hop]:
        """The hops that are complete with these values."""
        centred = self._centre(ecg)
        clean = self._median(centred)
        rough = self._late(centred) - clean
        jump = clean - self._before_jump(clean)
        quiet = clean
        for mean in self._means:
            quiet = mean(quiet)
        for mean in self._rough_means:
            rough = mean(rough)
        (slope, low), (_, high) = (band(quiet) for band in self._bands)
        sizes = (np.abs(jump), np.abs(clean - quiet), np.abs(rough))
        values = (self._shape(quiet), slope, np.sqrt(low * high), clean, *sizes)
        self._waiting = np.concatenate((self._waiting, values), axis=1)
        count = self._waiting.shape[1] // self._hop
        whole = self._waiting[:, : count * self._hop].reshape(len(values), count, self._hop)
        self._waiting = self._waiting[:, count * self._hop :]
        starts = self._seen + np.arange(count, dtype=np.int64) * self._hop
        self._seen += count * self._hop
        return _summed_up(whole, starts)


def _summed_up(whole: Floats, starts: NDArray[np.int64]) -> list[Hop]:
    shape, slope, strength, clean, jump, hum, rough = whole
    fields = (
        shape.max(axis=1),
        starts + shape.argmax(axis=1),
        shape.min(axis=1),
        starts + shape.argmin(axis=1),
        shape[:, -1],
        np.abs(slope).max(axis=1),
        strength[:, -1],
        clean.max(axis=1),
        clean.min(axis=1),
        jump.max(axis=1),
        hum.max(axis=1),
        np.add.reduce(rough, axis=1) / rough.shape[1],
    )
    return [Hop(*hop) for hop in zip(*(field.tolist() for field in fields), strict=True)]


class _Band:
    """The slope of the ECG within a band, and the root of the moving sum of its square."""

    def __init__(self, band_hz: tuple[float, float], rate_hz: int, sum_s: float) -> None:
        self._run = SosFilter(filters.bandpass(band_hz, rate_hz))
        self._before, self._sum = _Before(round(SLOPE_S * rate_hz)), sliding_sum(round(sum_s * rate_hz))

    def __call__(self, values: Floats) -> tuple[Floats, Floats]:
        band = self._run(values)
        slope = band - self._before(band)
        return slope, np.sqrt(self._sum(slope * slope))


class _Before:
    """The stream, so many values earlier; 0 before its beginning."""

    def __init__(self, count: int) -> None:
        self._past = np.zeros(count)

    def __call__(self, values: Floats) -> Floats:
        known = np.concatenate((self._past, values))
        self._past = known[len(values) :]
        return known[: len(values)]


class _Median:
    """The median of each value with so many on either side; the output is as many values late."""

    def __init__(self, reach: int) -> None:
        self._past = np.zeros(2 * reach)

    def __call__(self, values: Floats) -> Floats:
        known = np.concatenate((self._past, values))
        self._past = known[len(values) :]
        return running_median(known, len(self._past) + 1)
