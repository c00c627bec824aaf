"""Level profiles made by hand, of nothing but energies."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from residue.loudness.caps.ears import Ear
from residue.loudness.plan.profile import LevelProfile


def of_energy(ears: Sequence[Ear], energy: NDArray[np.float64]) -> LevelProfile:
    """The profile of a performance with these energies, (ears, hops), and hardly a peak."""
    nothing, outputs = np.zeros_like(energy), len(ears[0].gains)
    return LevelProfile(
        ears=tuple(ears),
        energy=energy,
        peak=nothing,
        fast=nothing,
        ending_peak=nothing,
        ending_fast=nothing,
        true_peak=np.full(outputs, 0.01),
        onset_energy=np.zeros((outputs, 0)),
        mapping_energy=np.zeros((outputs, 0)),
    )
