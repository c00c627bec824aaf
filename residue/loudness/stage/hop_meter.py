"""Meters that need more than the energy of each hop: time weightings, loudness, true peaks, doses of vibration."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from residue.dsp.kernel import power_sums, weighted_sum
from residue.loudness.caps.ears import Ear
from residue.loudness.caps.listeners import arriving_squares
from residue.loudness.meters.hops import HOP_FRAMES, Weighted
from residue.loudness.meters.programme_loudness import GRAINS_PER_HOP, ProgrammeLoudness
from residue.loudness.meters.time_weighting import TimeWeightedMeter, grain_powers
from residue.loudness.meters.true_peak import TruePeakMeter
from residue.loudness.meters.weightings import FELT, Weighting

Floats = NDArray[np.float64]
Felt = tuple[Weighting, int]
"""A weighting of vibration, and the number of a place."""


class HopMeter:
    """Meters at each place: first the visitor's place, then the outputs.

    What one hop needs is computed as it comes; the rest when somebody asks (`settle`), over all hops since at once.
    Powers and magnitudes are in the unit of the ear at the place. heard: the A-weighted ear at the visitor's place.
    felt: the ears for vibration, by weighting and the number of their place.
    """

    def __init__(self, outputs: int, heard: Ear, felt: Mapping[Felt, Ear]) -> None:
        self._felt, self._together = felt, np.array(heard.gains)
        self._gains = np.array([[gain * gain] for gain in heard.gains])
        # The visitor's place is metered twice: all outputs in phase, and their powers added. The larger one counts.
        self._needles = [TimeWeightedMeter(name, outputs + 2) for name in ("F", "S")]
        self.loudness = ProgrammeLoudness(outputs + 1)
        self.true_peak = TruePeakMeter(outputs)
        self.fast, self.fast_max, self.slow, self.slow_max = (np.zeros(outputs + 1) for _ in range(4))
        """(places,): levels at the end of the last settled hop, and the highest within those that were settled last."""
        self.fourth = {weighting: np.zeros(outputs + 1) for weighting in FELT}
        """(places,): fourth powers of the weighted acceleration, summed over the last hop, in the most likely case."""
        self._waiting: list[tuple[Floats, Floats]] = []
        """Of each hop that is not settled: energies of grains for the loudness, and powers for the needles."""

    def __call__(self, weighted: Weighted) -> None:
        """Takes a hop that was sent."""
        energies = power_sums(weighted[Weighting.K], HOP_FRAMES // GRAINS_PER_HOP)
        self._waiting.append((energies, self._powers(weighted[Weighting.A])))
        self.true_peak(weighted[Weighting.Z])
        for (weighting, place), ear in self._felt.items():
            squares = arriving_squares(ear, weighted[weighting])
            self.fourth[weighting][place] = max(float(np.add.reduce(one * one)) for one in squares)

    def _powers(self, weighted: Floats) -> Floats:
        """(1 + outputs, grains): all outputs in phase, and each alone."""
        together = weighted_sum(self._together, weighted)
        return np.concatenate((grain_powers(together[np.newaxis]), grain_powers(weighted) * self._gains))

    def settle(self) -> bool:
        """Moves loudness and needles on over the hops that wait, many at once; False if there are none."""
        if not self._waiting:
            return False
        energies, rows = (np.concatenate(part, axis=1) for part in zip(*self._waiting, strict=True))
        self._waiting.clear()
        self.loudness(np.concatenate(([np.add.reduce(energies)], energies)))
        powers = np.concatenate((rows[:1], [np.add.reduce(rows[1:])], rows[1:]))
        for needle in self._needles:
            needle(powers)
        fast, slow = self._needles
        self.fast, self.fast_max = _larger_first(fast.power), _larger_first(fast.highest)
        self.slow, self.slow_max = _larger_first(slow.power), _larger_first(slow.highest)
        return True


def _larger_first(rows: Floats) -> Floats:
    """The larger of the first two, then the others."""
    return np.concatenate(([max(rows[0], rows[1])], rows[2:]))


def felt_at(ears: Sequence[Ear], places: Sequence[str]) -> Mapping[Felt, Ear]:
    """The ears of people for vibration, by weighting and the number of their place."""
    felt = [ear for ear in ears if ear.weighting in FELT and ear.spread_s is None]
    return {(ear.weighting, places.index(ear.at)): ear for ear in felt}
