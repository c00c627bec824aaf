"""Tells an electrode that has gone flat from a body that is quiet."""

from __future__ import annotations

import numpy as np

from residue.dsp.exact import Floats
from residue.dsp.filters import one_pole_coefficient
from residue.dsp.switching import Bools

_HOP_S = 0.05
_RECENT_S = 10.0
_FLAT_SHARE = 1e-4
"""An electrode is flat 40 dB below the usual power of its steps: no living brain, breath or muscle falls so far in
_HOP_S. Our choice.
"""


class Flat:
    """Tells whether a sensor has stopped moving.

    It compares the power of the steps from value to value with their recent power. Flat times do not count as usual,
    however long they last.
    """

    def __init__(self, rate_hz: int) -> None:
        self._hop = round(_HOP_S * rate_hz)
        self._share = one_pole_coefficient(_RECENT_S, 1.0 / _HOP_S)
        self._waiting = np.empty(0)
        self._before: float | None = None
        self._usual: float | None = None
        self._flat = False

    def __call__(self, values: Floats) -> Bools:
        """Whether the sensor is flat at each value, (frames,); known a hop late."""
        if not len(values):
            return np.empty(0, np.bool_)
        before = values[0] if self._before is None else self._before
        steps = np.diff(values, prepend=before)
        self._before = float(values[-1])
        waited = len(self._waiting)
        squares = np.concatenate((self._waiting, steps * steps))
        hops = len(squares) // self._hop
        states = [self._flat]
        for power in np.add.reduce(squares[: hops * self._hop].reshape(hops, self._hop), axis=1).tolist():
            states.append(self._judge(power))
        self._waiting = squares[hops * self._hop :]
        # A new hop has its effect from the value that completes it.
        return np.array(states)[(waited + np.arange(1, len(values) + 1)) // self._hop]

    def _judge(self, power: float) -> bool:
        """Whether a hop of this power is flat; if it is not, it counts as usual."""
        usual = power if self._usual is None else self._usual
        self._flat = power <= _FLAT_SHARE * usual
        if not self._flat:
            self._usual = usual + self._share * (power - usual)
        return self._flat
