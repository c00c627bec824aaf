"""What the ears receive of a hop, and the caps that it must keep."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from residue.loudness.caps.instants import InstantCap
from residue.loudness.caps.listeners import Hearing
from residue.loudness.meters.hops import Weighted
from residue.loudness.stage.budget import Budget

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class ReceivedHop:
    """One hop, or the part of it that is known, as received at the ears."""

    hearing: Hearing
    """The state after the hop."""
    weighted: Weighted
    energy: Floats
    """(ears,), as in Heard; the next two have the same shape."""
    peak: Floats
    fast: Floats
    units: tuple[int, ...]
    """One value for each budget."""


@dataclass(frozen=True, slots=True)
class CapsToKeep:
    """Caps that a hop must keep."""

    budgets: tuple[Budget, ...]
    ears: tuple[int, ...]
    """One ear for each budget."""
    instants: tuple[InstantCap, ...]

    def keep(self, heard: ReceivedHop) -> bool:
        """Whether the caps hold if this hop is sent."""
        return all(one.used(heard.peak, heard.fast) <= 1.0 for one in self.instants) and all(
            budget.terms.units(float(heard.energy[ear])) <= budget.left()
            for budget, ear in zip(self.budgets, self.ears, strict=True)
        )
