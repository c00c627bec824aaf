"""The gain at which unplanned sound can continue without end."""

from __future__ import annotations

import numpy as np

from residue.loudness.stage.budget import HOP_UNITS, Budget

RESERVE_SHARE = 0.1
"""The share of a budget for loud passages. After it is used, a constant level is at most 0.46 dB lower because of
it.
"""
_RECENT_SHARE = 0.02
_MARGIN_SHARE = 0.005
"""A margin, as a share of the window, and at least _MARGIN_HOPS. It is added to the knee, so that the cap itself need
not act.
"""
_MARGIN_HOPS = 0.05
_LOOKS_A_WINDOW = 512


class Lasting:
    """For one budget, the gain at which the wanted sound could continue without end.

    The gain follows the energy of the wanted sound, not the rest of the budget, so that there is always enough left.
    The mean over the window may use the rate that can be spent from now on without end. The mean over a fiftieth of the
    window may also use the reserve, which is spent over the same time. So a loud passage is lowered little by little,
    and only if it lasts.
    """

    def __init__(self, budget: Budget, asked: float = 0.0, slices: int = 1) -> None:
        """asked: the units of a hop, if the wanted sound has already used up the budget. slices: of a hop."""
        self._budget, self._share = budget, 1.0 / slices
        self.unforeseen_hops = 0
        """The number of further hops for which the last window contains unplanned sound, if no more of it comes."""
        hops = budget.terms.hops
        self._recently = max(budget.terms.knee, _RECENT_SHARE * hops)
        self._margin = budget.terms.knee + max(_MARGIN_HOPS, _MARGIN_SHARE * hops)
        self._floor = (1.0 - RESERVE_SHARE) * HOP_UNITS * hops / (hops + self._margin)
        self._ahead = np.arange(hops, -1, -1)
        self._every = max(1, hops // _LOOKS_A_WINDOW) * slices
        self._count = 0
        self._recent = self._mean = asked
        self._rate = self._reserve = 0.0

    def gain_power(self, asked: int) -> float:
        """The square of the gain, 1 at most, for the next slice. asked: the units of a hop like it, at full gain."""
        if self._count % self._every == 0:
            self._look()
        self._count += 1
        self._recent += (asked - self._recent) * self._share / self._recently
        passed = min(self._count * self._share + self._recently, self._budget.terms.hops)
        self._mean += (asked - self._mean) * self._share / passed
        share = min(self._rate / max(self._mean, self._rate), self._short() / max(self._recent, self._short()))
        return self._budget.terms.gain_power(share)

    def _look(self) -> None:
        """Finds the rate that can be spent from now on, whichever hops leave the window."""
        budget = self._budget
        left = budget.terms.total - np.cumsum(np.concatenate(([0], budget.latest_first())))
        self._rate = max(1.0, float(np.min(left / (self._ahead + self._margin))))
        self._reserve = max(0.0, float(np.min(left - self._floor * (self._ahead + self._margin))))

    def _short(self) -> float:
        return self._rate + self._reserve / self._recently
