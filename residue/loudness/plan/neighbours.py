"""The energy in a window that spans closings, from one opening into the next."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from itertools import pairwise
from math import ceil, floor

import numpy as np
from numpy.typing import NDArray

from residue.dsp import exact
from residue.loudness.meters.hops import HOP_S
from residue.loudness.plan.order import Layout, Pool, Stretch, sums_before
from residue.loudness.plan.profile import LevelProfile
from residue.loudness.stage.budget import Terms

Floats = NDArray[np.float64]

_STEPS = 128
"""A window is divided between its openings in so many steps; each part is rounded to the larger energy."""


def within(stretches: tuple[Stretch, ...], window_s: float) -> tuple[Stretch, ...]:
    """The openings within one window of the latest of them."""
    reach_s = 0.0
    for count, (later, earlier) in enumerate(pairwise(stretches), start=1):
        reach_s += later.silence_s
        if reach_s >= window_s:
            return stretches[:count]
        reach_s += earlier.lasts_s
    return stretches


@dataclass(frozen=True, slots=True)
class _Ring:
    """One round, which repeats for ever."""

    energy: Floats
    """(hops,)"""
    starts: list[int]
    """The hops at which a performance begins, and the rest after another one ends."""


class Neighbours:
    """The energy that a cap counts across closings when performances play at given gains.

    power: the square of the gain of each performance. key: that of the ear of the cap.
    """

    def __init__(
        self, terms: Terms, key: str, profiles: Mapping[str, LevelProfile], power: Mapping[str, float]
    ) -> None:
        self._terms = terms
        self._key = key
        self._profiles = profiles
        self._power = power
        self._step = max(1, terms.hops // _STEPS)
        self._most: dict[tuple[Pool, int, bool], float] = {}
        self._heads: dict[Pool, Floats] = {}
        self._rings: dict[Pool, list[_Ring]] = {}

    def used(self, stretches: tuple[Stretch, ...]) -> float:
        """The most energy in a window that ends in the latest of these openings, as the governor counts it.

        An opening plays from its beginning. Before it comes any part of the opening before, because the moment of a
        closing is not known in advance; where the house stays open, its performances to the end of any of them.
        """
        latest, window = stretches[0], self._terms.hops
        head = self._head(latest.pool)[: ceil(latest.lasts_s / HOP_S)]
        edges = range(0, len(head), self._step)
        return max(float(np.max(head[at : at + self._step])) + self._before(stretches, window - at) for at in edges)

    def _before(self, stretches: tuple[Stretch, ...], hops: int) -> float:
        """The most energy in so many hops before the latest opening."""
        energy = 0.0
        for later, earlier in pairwise(stretches):
            hops -= floor(later.silence_s / HOP_S)
            if hops <= 0:
                break
            lasts = min(hops, ceil(earlier.lasts_s / HOP_S))
            energy += self._most_in(earlier.pool, lasts, whole=later.after_whole)
            hops -= lasts
        return energy

    def _most_in(self, pool: Pool, hops: int, *, whole: bool) -> float:
        """The most energy in so many hops of a pool up to any place of it; if whole, up to the end of a rest."""
        rounded = -(-hops // self._step) * self._step
        if (pool, rounded, whole) not in self._most:
            sums = [(sums_before(ring.energy, rounded), ring.starts) for ring in self._ring(pool)]
            most = (float(np.max(before[starts] if whole else before)) for before, starts in sums)
            self._most[pool, rounded, whole] = max(most, default=0.0)
        return self._most[pool, rounded, whole]

    def _head(self, pool: Pool) -> Floats:
        """(window,): for each hop of an opening, the energy of the hop and of the hops before it in this opening."""
        if pool not in self._heads:
            most = np.zeros(self._terms.hops)
            for ring in self._ring(pool):
                for start in ring.starts if pool.from_anywhere else ring.starts[:1]:
                    played = np.resize(np.roll(ring.energy, -start), self._terms.hops)
                    before = np.cumsum(played) - played
                    most = np.maximum(most, before + self._terms.knee * played)
            self._heads[pool] = most
        return self._heads[pool]

    def _ring(self, pool: Pool) -> list[_Ring]:
        if pool not in self._rings:
            trim = exact.power(10.0, pool.trim_db / 10.0)
            scale = {name: self._terms.scaled(trim * power) for name, power in self._power.items()}
            rings = []
            for turns in pool.rounds:
                layout = Layout(turns, self._profiles)
                heard = np.zeros(layout.hops)
                for name, start, _ in layout.spans:
                    profile = self._profiles[name]
                    heard[start : start + profile.hops] = scale[name] * profile.energy[profile.row(self._key)]
                rings.append(_Ring(heard, [start for _, start, _ in layout.spans]))
            self._rings[pool] = rings
        return self._rings[pool]
