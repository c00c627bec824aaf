"""The energies that were sent, kept for a cap that comes into force later."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from residue.loudness.meters.hops import HOP_S
from residue.loudness.stage.budget import HOP_UNITS, Terms
from residue.loudness.stage.history import SentHistory

Floats = NDArray[np.float64]
CapUnits = NDArray[np.int64]

RECENT_HOPS = 1_200
"""Two minutes are kept hop by hop."""
BIN_HOPS = 50
"""Older energies are kept in sums over 5 s, each of which counts as sent at its end."""
LONGEST_S = 86_400.0
"""The longest window that a cap may have (CapEntry.window_s)."""
_BINS = round(LONGEST_S / HOP_S / BIN_HOPS)


class SentRecord:
    """The energy of each hop at each ear since the start, over the longest window, and the history before the start."""

    def __init__(self, ears: int, before: SentHistory) -> None:
        self._before = before
        self._recent = np.zeros((ears, RECENT_HOPS))
        # Filled, not only asked for: the system gives a page when it is written, and these would come over a whole day.
        self._bins = np.full((ears, _BINS), 0.0)
        self._count = 0

    def add(self, energy: Floats) -> None:
        """Adds the last hop that was sent. energy: (ears,)."""
        at = self._count % RECENT_HOPS
        if at % BIN_HOPS == 0 and self._count >= RECENT_HOPS:
            bin_at = self._binned // BIN_HOPS % _BINS
            self._bins[:, bin_at] = np.add.reduce(self._recent[:, at : at + BIN_HOPS], axis=1)
        self._recent[:, at] = energy
        self._count += 1

    def listen_to(self, ears: int) -> None:
        """Changes to so many ears, the former ones first. The energy at the new ones before now is not known."""
        if ears == len(self._recent):
            return
        for name in ("_recent", "_bins"):
            known: Floats = getattr(self, name)
            unknown = np.where(known.any(axis=0), np.nan, 0.0)
            setattr(self, name, np.vstack([known, *[unknown] * (ears - len(known))]))

    @property
    def before(self) -> SentHistory:
        """The history before the start, with its present age."""
        return replace(self._before, ended_s=self._before.ended_s + self._count * HOP_S)

    def units(self, terms: Terms, ear: int) -> CapUnits:
        """(hops of the window,): the units that a cap would have counted since the start, the latest last.

        Where the energy at the ear is not known, the limit of the cap counts.
        """
        ring = np.zeros(terms.hops, dtype=np.int64)
        hops = min(self._count - self._binned, terms.hops)
        recent = np.roll(self._recent[ear], -(self._count % RECENT_HOPS))
        ring[terms.hops - hops :] = _units(recent[RECENT_HOPS - hops :], terms, HOP_UNITS)
        numbers = np.arange(max(0, self._count - terms.hops) // BIN_HOPS, self._binned // BIN_HOPS)
        ages = self._count - (numbers + 1) * BIN_HOPS
        numbers, ages = numbers[ages < terms.hops], ages[ages < terms.hops]
        ring[-1 - ages] += _units(self._bins[ear, numbers % _BINS], terms, BIN_HOPS * HOP_UNITS)
        return ring

    @property
    def _binned(self) -> int:
        """The hops in bins: a bin is filled before the first of its hops is overwritten."""
        return max(0, -((RECENT_HOPS - self._count) // BIN_HOPS) * BIN_HOPS)


def _units(energy: Floats, terms: Terms, unknown: int) -> CapUnits:
    known = np.where(np.isnan(energy), 0.0, energy)
    units: CapUnits = np.where(np.isnan(energy), unknown, terms.units_of(known))
    return units
