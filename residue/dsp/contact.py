"""Tells the signal of a body from an electrode that lies open or a sensor that is off.

An open electrode gives the hum of the mains and drifts; a dead sensor gives nothing that moves.
"""

from __future__ import annotations

import numpy as np

from residue.dsp import filters
from residue.dsp.clipped import Clipped
from residue.dsp.exact import Floats
from residue.dsp.filters import FromFirst, SosFilter
from residue.dsp.sliding import sliding_maximum, sliding_sum

_STILL = 1e-4
"""A sensor is off while it moves by less than this share of its largest movement so far: 80 dB less. Our choice."""
_MAINS_HZ = ((50.0, 100.0), (60.0, 120.0))
"""The mains and their double: lamps and rectified hum swing twice in a period."""
_MAINS_WIDTH_HZ = 3.0
_DRIFT_HZ = 5.0
"""Below this frequency lie drifts, which are no muscle."""
_HIDDEN = 5e-3
"""What a filter leaves of slow movement: with less than this share of its power a muscle is hidden. Our choice."""
_AT_REST = 1e-4
"""A muscle with less than this share of its largest power so far, 40 dB less, does not work. Our choice."""
_LEAST = 1e-30


class Hum:
    """Takes a signal, piece by piece, and gives the sum of the squares of its hum over the last `ticks` values.

    octaves: 2 with the double of the mains, 1 without.
    """

    def __init__(self, rate_hz: int, ticks: int, *, octaves: int = 2) -> None:
        self._mains = [
            [
                (SosFilter(filters.notch(hz, rate_hz=rate_hz, q=hz / _MAINS_WIDTH_HZ)), sliding_sum(ticks))
                for hz in frequencies_hz[:octaves]
            ]
            for frequencies_hz in _MAINS_HZ
        ]

    def __call__(self, values: Floats) -> Floats:
        """The sum up to each value, (frames,), of those mains that hum more."""
        most = np.zeros(len(values))
        for mains in self._mains:
            hum = np.zeros(len(values))
            for run, running in mains:
                band = values - run(values)
                hum = hum + running(band * band)
            most = np.maximum(most, hum)
        return most


class Contact:
    """Takes the signal of a muscle's sensor, piece by piece, and gives the trust in it, 0 to 1.

    window_s: over this time movement, hum and drift are measured. drifts: whether what is read from the signal holds
    its drift and its offset as well, so that they count as no muscle. works: whether what is read is only there while
    the muscle works.
    """

    def __init__(self, rate_hz: int, window_s: float = 0.5, *, drifts: bool = False, works: bool = False) -> None:
        ticks = round(window_s * rate_hz)
        self._level = FromFirst()
        self._highest, self._lowest_negative = sliding_maximum(ticks), sliding_maximum(ticks)
        self._most = 0.0
        self._above, self._above_power = SosFilter(filters.highpass(_DRIFT_HZ, rate_hz, 2)), sliding_sum(ticks)
        self._ticks, self._works, self._most_power = ticks, works, 0.0
        self._clipped = Clipped(max(ticks, rate_hz // 2))
        self._hum, self._all_power = Hum(rate_hz, ticks), sliding_sum(ticks) if drifts else None

    def __call__(self, values: Floats) -> Floats:
        """The trust in each value: 0 while nothing moves, else the share of the power that is not hum or drift.

        0 too where slow movement hides a muscle, and less where the signal is beyond the range of its converter.
        """
        if not len(values):
            return np.empty(0)
        whole = self._all_power(values * values) if self._all_power else None
        values = self._level(values)
        moved = self._highest(values) + self._lowest_negative(-values)
        most = np.maximum.accumulate(np.concatenate(([self._most], moved)))[1:]
        self._most = float(most[-1])
        above = self._above(values)
        power = np.maximum(self._above_power(above * above), _LEAST)
        share = (power - self._hum(values)) / (power if whole is None else np.maximum(whole, power))
        trust = np.minimum(np.minimum(np.maximum(share, 0.0), 1.0), self._clipped(values))
        known = (moved > _STILL * most) & (power > _HIDDEN * self._ticks * (moved * moved / 8))
        if self._works:
            most_power = np.maximum.accumulate(np.concatenate(([self._most_power], power)))[1:]
            self._most_power = float(most_power[-1])
            known &= power > _AT_REST * most_power
        return np.where(known, trust, 0.0)
