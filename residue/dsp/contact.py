"""Tells the signal of a body from an electrode that lies open or a sensor that is off.

An open electrode gives the hum of the mains; a dead sensor gives nothing that moves.
"""

from __future__ import annotations

import numpy as np

from residue.dsp import filters
from residue.dsp.exact import Floats
from residue.dsp.filters import FromFirst, SosFilter
from residue.dsp.sliding import sliding_maximum, sliding_sum

_STILL = 1e-4
"""A sensor is off while it moves by less than this share of its largest movement so far: 80 dB less. Our choice."""
_MAINS_HZ = (50.0, 60.0)
_MAINS_WIDTH_HZ = 3.0
_DRIFT_HZ = 5.0
"""Below this frequency lie drifts, which do not count as hum or as signal."""
_LEAST = 1e-30


class Contact:
    """Takes the signal of a muscle's sensor, piece by piece, and gives the trust in it, 0 to 1.

    window_s: over this time movement and hum are measured.
    """

    def __init__(self, rate_hz: int, window_s: float = 0.5) -> None:
        ticks = round(window_s * rate_hz)
        self._level = FromFirst()
        self._highest, self._lowest_negative = sliding_maximum(ticks), sliding_maximum(ticks)
        self._most = 0.0
        self._all, self._all_power = SosFilter(filters.highpass(_DRIFT_HZ, rate_hz, 2)), sliding_sum(ticks)
        self._hums = [
            (
                SosFilter(filters.notch(hz, rate_hz=rate_hz, q=hz / _MAINS_WIDTH_HZ)),
                sliding_sum(ticks),
            )
            for hz in _MAINS_HZ
        ]

    def __call__(self, values: Floats) -> Floats:
        """The trust in each value: 0 while nothing moves, else the share of the power that is not hum."""
        if not len(values):
            return np.empty(0)
        values = self._level(values)
        moved = self._highest(values) + self._lowest_negative(-values)
        most = np.maximum.accumulate(np.concatenate(([self._most], moved)))[1:]
        self._most = float(most[-1])
        above = self._all(values)
        power = np.maximum(self._all_power(above * above), _LEAST)
        hum = np.zeros(len(values))
        for run, running in self._hums:
            band = values - run(values)
            hum = np.maximum(hum, running(band * band))
        return np.where(moved > _STILL * most, np.minimum(np.maximum(1.0 - hum / power, 0.0), 1.0), 0.0)
