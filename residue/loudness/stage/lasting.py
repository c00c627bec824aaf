"""How loud what no plan foresees may be, so that it can go on for as long as it likes."""

from __future__ import annotations

import numpy as np

from residue.loudness.stage.budget import HOP_UNITS, Budget

RESERVE_SHARE = 0.1
"""Of a budget, for loud passages: once it is used, a level that stays is held 0.46 dB lower for it, at most."""
_RECENT_SHARE = 0.02
_MARGIN_SHARE = 0.005
"""Of the window, and no less than _MARGIN_HOPS: kept beside the knee, so that the promise itself need not act."""
_MARGIN_HOPS = 0.05
_LOOKS_A_WINDOW = 512


class Lasting:
    """Of one budget, the gain at which what is asked for now could go on.

    A gain that follows the energy asked for, and not what is left of the budget: so there is never too little left. The
    mean over the window may use the rate at which the budget could be spent from now on without end. The mean over a
    fiftieth of the window may use the reserve as well, which is given out over as long a time: so a loud passage is
    lowered little by little, and only where it lasts.
    """

    def __init__(self, budget: Budget, asked: float = 0.0) -> None:
        """asked: units of a hop, where what is asked for has used the budget up already."""
        self._budget = budget
        self.unforeseen_hops = 0
        """For so many hops more the last window holds something unforeseen, if nothing more comes."""
        hops = budget.terms.hops
        self._recently = max(budget.terms.knee, _RECENT_SHARE * hops)
        self._margin = budget.terms.knee + max(_MARGIN_HOPS, _MARGIN_SHARE * hops)
        self._floor = (1.0 - RESERVE_SHARE) * HOP_UNITS * hops / (hops + self._margin)
        self._ahead = np.arange(hops, -1, -1)
        self._every = max(1, hops // _LOOKS_A_WINDOW)
        self._count = 0
        self._recent = self._mean = asked
        self._rate = self._reserve = 0.0

    def gain_power(self, asked: int) -> float:
        """The square of the gain, 1 at most, for the next hop. asked: its units at full gain."""
        if self._count % self._every == 0:
            self._look()
        self._count += 1
        self._recent += (asked - self._recent) / self._recently
        self._mean += (asked - self._mean) / min(self._count + self._recently, self._budget.terms.hops)
        share = min(self._rate / max(self._mean, self._rate), self._short() / max(self._recent, self._short()))
        return self._budget.terms.gain_power(share)

    def _look(self) -> None:
        """Find what can be spent from now on, whatever leaves the window when."""
        budget = self._budget
        left = budget.terms.total - np.cumsum(np.concatenate(([0], budget.latest_first())))
        self._rate = max(1.0, float(np.min(left / (self._ahead + self._margin))))
        self._reserve = max(0.0, float(np.min(left - self._floor * (self._ahead + self._margin))))

    def _short(self) -> float:
        return self._rate + self._reserve / self._recently
