"""Caps in a season: the real budgets of the governor, fed with energies instead of sound.

A hop of sound is one number here, its energy in units of the cap's limit. The inequality and the counting are those of
residue.loudness.stage.stage.budget; long stretches in which nothing is taken away are counted at once.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import ceil

import numpy as np
from numpy.typing import NDArray

from residue.loudness.caps.caps import CapEntry, expand
from residue.loudness.caps.ears import ear_of
from residue.loudness.meters.hops import HOP_FRAMES
from residue.loudness.outputs.outputs import Output
from residue.loudness.stage.budget import HOP_UNITS, Budget
from residue.loudness.stage.history import SPARED_SHARE, SentHistory

Floats = NDArray[np.float64]

OUTPUTS = {"hall": Output(device_channel=1)}
CAPS = expand(
    [
        CapEntry(quantity="LZeq", window_s=60, limit_dbfs=-20.0),
        CapEntry(quantity="LZeq", window_s=900, limit_dbfs=-23.0),
    ]
)
EAR = ear_of(CAPS[0], OUTPUTS)
WINDOW_S = 900
HOPS_A_SECOND = 10
SPARED = SPARED_SHARE * 10 ** ((min(cap.limit for cap in CAPS) - CAPS[0].limit) / 10)
"""The most energy of a hop while the disk takes nothing."""
LIMIT = 10 ** (-20.0 / 10) * HOP_FRAMES
"""Energy of a hop at the limit of the first cap; energies here are counted in it."""


GOVERNED_HOPS = 200
"""So many are looked at one by one after one that had to be governed."""


class Governor:
    """What the governor lets through of one energy a hop."""

    def __init__(self, history: SentHistory) -> None:
        self.budgets = [Budget(cap, EAR, history) for cap in CAPS]
        self.acted = False

    def send(self, energies: Floats) -> Floats:
        """(hops,): energies asked for, in LIMIT. Gives what is sent of each."""
        self.acted = False
        sent = energies.copy()
        at, longest = 0, min(budget.terms.hops for budget in self.budgets)
        while at < len(sent):
            chunk = sent[at : at + longest]
            free = self._freely(chunk)
            at += free
            if free < len(chunk):
                here = slice(at, min(at + GOVERNED_HOPS, len(sent)))
                sent[here] = self._governed(sent[here])
                at = here.stop
        return sent

    def _freely(self, energies: Floats) -> int:
        """Count as many hops as need no governing; returns how many."""
        asked = [np.ceil(energies * LIMIT / b.terms.hop_energy * HOP_UNITS).astype(np.int64) for b in self.budgets]
        free = len(energies)
        for budget, units in zip(self.budgets, asked, strict=True):
            leaving = _next(budget, len(units))
            spent = budget.spent + np.concatenate([[0], np.cumsum(units - leaving)[:-1]])
            over = np.flatnonzero(spent + budget.terms.knee * units > budget.terms.total)
            free = min(free, int(over[0]) if len(over) else free)
        for budget, units in zip(self.budgets, asked, strict=True):
            _count(budget, units[:free])
        return free

    def _governed(self, energies: Floats) -> Floats:
        """Hop by hop, as much of each as every budget has left for it."""
        if not len(energies):
            return energies
        rows = [_Row(budget, len(energies)) for budget in self.budgets]
        sent = []
        for hop, asked in enumerate(energies.tolist()):
            let = max(0.0, min(asked, *((row.total - row.spent) // row.knee / row.units_a_limit for row in rows)))
            for row in rows:
                units = ceil(let * row.units_a_limit)
                row.spent += units - row.leaving[hop]
                row.sent.append(units)
            self.acted = self.acted or let < asked
            sent.append(let)
        for row in rows:
            _count(row.budget, np.array(row.sent, np.int64))
        return np.array(sent)


class _Row:
    """A budget in plain integers, for a loop."""

    def __init__(self, budget: Budget, hops: int) -> None:
        self.budget = budget
        self.spent, self.total, self.knee = budget.spent, budget.terms.total, budget.terms.knee
        self.units_a_limit = LIMIT / budget.terms.hop_energy * HOP_UNITS
        self.leaving = _next(budget, hops).tolist()
        self.sent: list[int] = []


def _next(budget: Budget, hops: int) -> NDArray[np.int64]:
    """Units of the hops that leave the window next."""
    return np.take(budget._ring, np.arange(budget._at, budget._at + hops), mode="wrap")


def _count(budget: Budget, units: NDArray[np.int64]) -> None:
    """What `Budget.send` does, for many hops at once."""
    places = np.arange(budget._at, budget._at + len(units)) % len(budget._ring)
    budget.spent += int(units.sum() - budget._ring[places].sum())
    budget._ring[places] = units
    budget._at = (budget._at + len(units)) % len(budget._ring)


class Ear:
    """Somebody in the room, who knows nothing of budgets: hears all that was ever sent, over every restart."""

    def __init__(self) -> None:
        self._stretches: list[tuple[int, Floats]] = []

    def hear(self, first_hop: int, energies: Floats) -> None:
        """first_hop: counted from the beginning of the season."""
        if len(energies) and energies.any():
            self._stretches.append((first_hop, energies))

    def highest(self) -> Sequence[float]:
        """Of each cap, the highest mean over any window, against its limit; what is too old to matter is forgotten."""
        if not self._stretches:
            return [0.0] * len(CAPS)
        first = self._stretches[0][0]
        last_hop, last = self._stretches[-1]
        heard = np.zeros(last_hop + len(last) - first)
        for hop, energies in self._stretches:
            heard[hop - first : hop - first + len(energies)] += energies
        run = np.concatenate([[0.0], np.cumsum(heard)])
        found = []
        for cap in CAPS:
            hops = min(round(cap.window_s * HOPS_A_SECOND), len(heard))
            limit = 10 ** ((cap.limit - CAPS[0].limit) / 10) * cap.window_s * HOPS_A_SECOND
            found.append(float((run[hops:] - run[:-hops]).max()) / limit)
        keep = last_hop + len(last) - WINDOW_S * HOPS_A_SECOND
        self._stretches = [(hop, energies) for hop, energies in self._stretches if hop + len(energies) > keep]
        return found
