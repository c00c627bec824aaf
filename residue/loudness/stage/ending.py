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
_MEMORY_HOPS = 10
"""A second, after which nothing is left of a sound under A and C: their slowest poles are at 20.6 Hz."""


class Endings:
    """Each hop as if it were the last, under A, C and Z; takes a stream in order."""

    def __init__(self, outputs: int) -> None:
        self._ringing: Weighted = {
            name: np.zeros((outputs, 1, HOP_FRAMES)) for name in (Weighting.A, Weighting.C, Weighting.Z)
        }
        """The ringing of the rising part of the hop before, which must be subtracted from the silence after its
        fade.
        """

    def __call__(self, hops: Floats, weighted: Weighted) -> tuple[Weighted, Weighted]:
        """Each hop faded out, and the silence after each hop before.

        hops, weighted: (outputs, hops, HOP_FRAMES), as all that it gives. The weightings are linear. So a hop that
        fades out is the hop minus its rising part, which begins at rest; and the silence after it is the next hop minus
        the part that began there.
        """
        rising = self._at_rest(np.concatenate((hops * RISE, np.zeros_like(hops)), axis=2))
        beginning = self._at_rest(hops)
        faded, after = {}, {}
        for name, rise in rising.items():
            faded[name] = weighted[name] - rise[..., :HOP_FRAMES]
            ringing = np.concatenate((self._ringing[name], rise[:, :-1, HOP_FRAMES:]), axis=1)
            after[name] = weighted[name] - beginning[name] - ringing
        self._ringing = {name: rise[:, -1:, HOP_FRAMES:] for name, rise in rising.items()}
        return faded, after

    @staticmethod
    def _at_rest(hops: Floats) -> Weighted:
        """Each hop under the weightings, as if silence had come before it."""
        rows = hops.reshape(-1, hops.shape[-1])
        bank = WeightingBank((Weighting.A, Weighting.C), len(rows))
        return {name: one.reshape(hops.shape) for name, one in bank(rows).items()}


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
