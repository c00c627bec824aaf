"""The level of an immediate ending: the hop faded out, and the ringing of the weightings in the silence after it.

A weighting that removes low tones rings where they stop suddenly. Therefore a cap that holds at every moment requires
that every hop could be the last. Only then there is always a way to continue that keeps the cap.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache
from math import ceil

import numpy as np
from numpy.typing import NDArray

from residue.dsp.filters import SosFilter
from residue.dsp.kernel import magnitudes
from residue.loudness.caps.ears import Ear
from residue.loudness.caps.instants import InstantCap
from residue.loudness.meters.hops import HOP_FRAMES, HOP_RATE_HZ, Weighted, WeightingBank
from residue.loudness.meters.true_peak import SUM_OF_MAGNITUDES
from residue.loudness.meters.weightings import Weighting, sections

Floats = NDArray[np.float64]

RISE = np.arange(1, HOP_FRAMES + 1) / HOP_FRAMES
"""(HOP_FRAMES,): a gain that rises over a hop in a straight line; 1 less this, one that fades it out."""
_FALL = 1.0 - RISE
_MEMORY_HOPS = 10
"""A second, after which nothing is left of a sound under A and C: their slowest poles are at 20.6 Hz."""


class Endings:
    """Each hop of a stream three times: as it is, faded out as the last one, and the silence after the hop before."""

    def __init__(self, outputs: int) -> None:
        as_it_is, faded = np.arange(outputs), np.arange(outputs, 2 * outputs)
        self.follows = np.concatenate((as_it_is, as_it_is, faded))
        """(3 * outputs,): the row of the hop before from which each row goes on."""
        self._bank = WeightingBank((Weighting.A, Weighting.C), 3 * outputs)

    def __call__(self, hop: Floats) -> Weighted:
        """Takes the next hop, (outputs, HOP_FRAMES); gives A and C, (3 * outputs, HOP_FRAMES)."""
        self._bank.go_on_from(self.follows)
        return self._bank(np.concatenate((hop, hop * _FALL, np.zeros_like(hop))))


class Reach:
    """Finds, without any weighting, whether some caps hold at every moment for any gain between 0 and 1.

    A weighted signal is never higher than the sum of magnitudes of the weighting's impulse response times the highest
    magnitude of the input. This is true for any movement of the gain. Between the samples the interpolation adds a
    bounded amount.
    """

    def __init__(
        self, instants: Sequence[InstantCap], ears: Sequence[Ear], outputs: int, slice_frames: int = HOP_FRAMES
    ) -> None:
        self._slice_s = slice_frames / HOP_RATE_HZ
        self._slices = _MEMORY_HOPS * HOP_FRAMES // slice_frames
        self._highest = np.zeros((self._slices, outputs))
        self._at = 0
        self.reached: Sequence[float] = ()
        """The highest magnitude that each of the `means` may reach."""
        self.heed(instants, ears)

    def heed(self, instants: Sequence[InstantCap], ears: Sequence[Ear], means: Sequence[Ear] = ()) -> None:
        """Uses these caps from here on; the sound so far may still ring. means: the ears of caps with a window."""
        heard = [ears[one.ear] for one in instants]
        self._means, self._reaches = _reaches(means), _reaches(heard)
        self._bounds = np.array([one.bound / SUM_OF_MAGNITUDES if one.of_peak else one.bound**0.5 for one in instants])
        spread_s = max((ear.spread_s or 0.0 for ear in heard), default=0.0)
        more = max(0, self._slices + ceil(spread_s / self._slice_s) - len(self._highest))
        self._highest = np.pad(np.roll(self._highest, -self._at, axis=0), ((more, 0), (0, 0)))
        self._at = 0

    def __call__(self, hop: Floats) -> bool:
        """Takes the next hop or slice, (outputs, frames), before any gain."""
        self._highest[self._at] = magnitudes(hop)
        self._at = (self._at + 1) % len(self._highest)
        highest = np.maximum.reduce(self._highest, axis=0)
        if len(self._means):
            self.reached = np.add.reduce(self._means * highest, axis=1).tolist()
        if not len(self._bounds):
            return True
        reached = np.add.reduce(self._reaches * highest, axis=1)
        return bool(np.all(reached <= self._bounds))


def _reaches(ears: Sequence[Ear]) -> Floats:
    """(ears, outputs): how high a magnitude of 1 of each output may reach."""
    return np.array([np.array(ear.gains) * _sum_of_magnitudes(ear.weighting) for ear in ears])


@lru_cache
def _sum_of_magnitudes(weighting: Weighting) -> float:
    impulse = np.zeros(_MEMORY_HOPS * HOP_FRAMES)
    impulse[0] = 1.0
    return float(np.add.reduce(np.abs(SosFilter(sections(weighting, HOP_RATE_HZ))(impulse))))
