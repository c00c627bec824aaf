"""Energy and peak at every ear over one hop."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from residue.loudness.caps.ears import Ear
from residue.loudness.meters.hops import Weighted, magnitudes
from residue.loudness.meters.weightings import Weighting

Floats = NDArray[np.float64]


def coherent(ear: Ear, weighted: Floats) -> Floats:
    """Sound at an ear when all outputs add up in phase: (frames,)."""
    arriving: Floats = ear.gains[0] * weighted[0]
    for gain, signal in zip(ear.gains[1:], weighted[1:], strict=True):
        arriving += gain * signal
    return arriving


class Listener:
    """Tells what a number of ears receive of a hop."""

    def __init__(self, ears: Sequence[Ear]) -> None:
        self._count = len(ears)
        of_energy = [(at, ear) for at, ear in enumerate(ears) if ear.power == 2]
        self._alone = [
            (at, ear.weighting, only, ear.gains[only]) for at, ear in of_energy if (only := ear.only) is not None
        ]
        self._together = [(at, ear, np.array(ear.gains)) for at, ear in of_energy if ear.only is None]
        self._doses = [(at, ear) for at, ear in enumerate(ears) if ear.power == 4]

    def __call__(self, weighted: Weighted) -> tuple[Floats, Floats]:
        """Energies, sums of squares over frames, and peaks, (ears, …) each, in the unit of the ear.

        weighted: (outputs, …, frames), the middle for several hops at once. Where all outputs come together the larger
        counts: of the coherent sum and the sum of energies; of the coherent sum and the highest output. Peaks are told
        at C-weighted ears, else 0: no rule asks for others.
        """
        energies = {weighting: np.add.reduce(signals * signals, axis=-1) for weighting, signals in weighted.items()}
        peaks = magnitudes(weighted[Weighting.C])
        energy, peak = (np.zeros((self._count, *peaks.shape[1:])) for _ in range(2))
        for at, weighting, only, gain in self._alone:
            energy[at] = gain * gain * energies[weighting][only]
            if weighting is Weighting.C:
                peak[at] = gain * peaks[only]
        for at, ear, gains in self._together:
            arriving = coherent(ear, weighted[ear.weighting])
            each = gains.reshape(-1, *(1,) * (peaks.ndim - 1))
            incoherent = np.add.reduce(each * each * energies[ear.weighting])
            energy[at] = np.maximum(np.add.reduce(arriving * arriving, axis=-1), incoherent)
            if ear.weighting is Weighting.C:
                peak[at] = np.maximum(magnitudes(arriving), np.max(each * peaks, axis=0))
        for at, ear in self._doses:
            squares = arriving_squares(ear, weighted[ear.weighting])
            energy[at] = np.max([np.add.reduce(one * one, axis=-1) for one in squares], axis=0)
        return energy, peak


def arriving_squares(ear: Ear, signals: Floats) -> list[Floats]:
    """The squares of which the larger dose counts, (…, frames) each: the sum of squares, and the square of the sum."""
    alone = [gain * gain * (signal * signal) for gain, signal in zip(ear.gains, signals, strict=True) if gain]
    apart: Floats = np.add.reduce(alone) if alone else np.zeros(signals.shape[1:])
    if ear.only is not None:
        return [apart]
    arriving = coherent(ear, signals)
    return [apart, arriving * arriving]
