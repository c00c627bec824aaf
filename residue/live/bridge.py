"""Fills the time in which a sensor sends nothing, without a step or NaN, and notes each gap."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

RAMP_S = 0.05
"""The time from the held to the received value. Our choice: too slow for a click, too fast to be noticed."""
TOGETHER_S = 0.25
"""Gaps with less time between them are noted as one."""

InputSamples = NDArray[np.float32]


@dataclass
class Bridge:
    """One live channel without gaps: a gap holds the last value, then a straight line leads to the next values.

    The output does not depend on the blocks. gaps: (first sample, one past the last) of each.
    """

    rate_hz: int
    gaps: list[tuple[int, int]] = field(default_factory=list)
    _held: float = 0.0
    _left: int = 0  # samples of the ramp that are still missing
    _at: int = 0

    def __call__(self, received: InputSamples) -> InputSamples:
        """Takes (samples,) with NaN, or infinity, where nothing was received; gives the finite values to play."""
        missing = ~np.isfinite(received)
        given = received.copy()
        edges = np.flatnonzero(np.diff(missing)) + 1
        for start, stop in zip([0, *edges.tolist()], [*edges.tolist(), len(received)], strict=True):
            if start == stop:
                continue
            if missing[start]:
                self._note(self._at + start, self._at + stop)
                given[start:stop] = self._held
                self._left = self._ramp
            else:
                self._return(given[start:stop])
            if not self._left or missing[start]:
                self._held = float(given[stop - 1])
        self._at += len(received)
        return given

    @property
    def _ramp(self) -> int:
        return max(1, round(RAMP_S * self.rate_hz))

    def _return(self, given: InputSamples) -> None:
        """Continues the ramp from the held value."""
        count = min(self._left, len(given))
        if count:
            share = (self._ramp - self._left + np.arange(1, count + 1)) / (self._ramp + 1)
            given[:count] = self._held + (given[:count] - self._held) * share
            self._left -= count

    def _note(self, start: int, stop: int) -> None:
        if self.gaps and start - self.gaps[-1][1] < TOGETHER_S * self.rate_hz:
            self.gaps[-1] = (self.gaps[-1][0], stop)
        else:
            self.gaps.append((start, stop))
