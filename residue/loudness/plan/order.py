"""The orders in which performances may be played, as far as a plan needs them."""

from __future__ import annotations

from collections.abc import Container, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from math import ceil, floor

import numpy as np
from numpy.typing import NDArray

from residue.loudness.meters.hops import HOP_S
from residue.loudness.plan.profile import LevelProfile

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Round:
    """Performances that follow each other, again and again."""

    names: tuple[str, ...]
    rest_s: float = 0.0
    """The least silence after each performance."""
    apart_s: float = 0.0
    """The least time from the beginning of one to the beginning of the next."""


@dataclass(frozen=True, slots=True)
class Pool:
    """The rounds that an opening may play, from the beginning of any performance in them."""

    rounds: tuple[Round, ...]
    from_anywhere: bool = False
    trim_db: float = 0.0
    """The amount by which all of them are lowered."""

    @property
    def names(self) -> frozenset[str]:
        """The names of all performances that it plays."""
        return frozenset(name for one in self.rounds for name in one.names)


@dataclass(frozen=True, slots=True)
class Stretch:
    """An opening: it begins its pool again, and may end at any place of it."""

    pool: Pool
    lasts_s: float
    """The longest time that it lasts."""
    silence_s: float
    """The least silence between the opening before it and this one."""
    after_whole: bool = False
    """Whether the opening before it ends with a whole performance and the rest after it."""


@dataclass(frozen=True, slots=True)
class Order:
    """Everything that can be played in a row.

    pools: those that play without a closing. neighbours: openings so near to each other that one window spans them; the
    latest first.
    """

    pools: tuple[Pool, ...]
    neighbours: tuple[tuple[Stretch, ...], ...] = ()

    def only(self, playable: Container[str]) -> Order:
        """The order without the performances that cannot be played."""

        def left(pool: Pool) -> Pool:
            kept = (replace(one, names=tuple(name for name in one.names if name in playable)) for one in pool.rounds)
            return replace(pool, rounds=tuple(dict.fromkeys(one for one in kept if one.names)))

        pools = tuple(dict.fromkeys(pool for pool in map(left, self.pools) if pool.rounds))
        met = (tuple(replace(one, pool=left(one.pool)) for one in stretches) for stretches in self.neighbours)
        return Order(pools, tuple(dict.fromkeys(met)))


def repeated(names: Sequence[str], rest_s: float) -> Order:
    """One order for ever."""
    return Order((Pool((Round(tuple(names), rest_s),)),))


class Layout:
    """The positions of the performances of a round, in hops; the round repeats for ever."""

    def __init__(self, turns: Round, profiles: Mapping[str, LevelProfile]) -> None:
        self.profiles = {name: profiles[name] for name in turns.names}
        rest, apart = ceil(turns.rest_s / HOP_S), floor(turns.apart_s / HOP_S)
        lengths = [max(profiles[name].hops + rest, apart) for name in turns.names]
        ends = np.cumsum(lengths)
        self.hops = int(ends[-1])
        self.spans = [
            (name, int(end) - length, int(end)) for name, length, end in zip(turns.names, lengths, ends, strict=True)
        ]
        """(name, first hop, first hop after the silence that follows)."""

        self.starts: dict[str, list[int]] = {}
        """By name, the first hops of its plays."""
        for name, start, _ in self.spans:
            self.starts.setdefault(name, []).append(start)

    def windows(self, name: str, energy: Floats, window: int) -> Iterator[tuple[slice, Floats, Floats]]:
        """The stretches of the round in which a window may hold any of a performance; 0 elsewhere.

        energy: (hops of the performance,). For each stretch: where it is, the energy of the performance in the `window`
        hops before each hop, and that of the hop itself. What is added up is what a sum over the whole round would add.
        """
        starts, length = self.starts[name], len(energy)
        whole, rest = divmod(window, self.hops)
        lasts = length + rest + 1
        if whole or lasts * len(starts) >= self.hops:
            heard = np.zeros(self.hops)
            for start in starts:
                heard[start : start + length] = energy
            yield slice(0, self.hops), sums_before(heard, window), heard
            return
        running = np.cumsum(np.concatenate(([0.0], *[energy] * (2 * len(starts)))))

        def heard_before(place: NDArray[np.int64]) -> NDArray[np.int64]:
            """The number of its hops before a place in the round, played twice."""
            begun = (np.clip(place - first - start, 0, length) for first in (0, self.hops) for start in starts)
            counts: NDArray[np.int64] = sum(begun, np.zeros_like(place))
            return counts

        for stretch in self._touched(starts, lasts):
            place = np.arange(stretch.start, stretch.stop) + self.hops
            now = heard_before(place)
            sums = running[now] - running[heard_before(place - rest)]
            here = np.where(heard_before(place + 1) > now, energy[now % length], 0.0)
            yield stretch, np.maximum(sums, 0.0), here

    def _touched(self, starts: Sequence[int], lasts: int) -> list[slice]:
        """The hops of the round from each start on, for so many hops, in order, none of them twice; fewer than all."""
        ends = sorted((start, start + lasts) for start in starts)
        over = max(0, ends[-1][1] - self.hops)  # those of the last play that lie in the next round
        touched = [slice(0, over)] if over else []
        for start, stop in ends:
            if touched and start <= touched[-1].stop:
                touched[-1] = slice(touched[-1].start, min(self.hops, stop))
            else:
                touched.append(slice(start, min(self.hops, stop)))
        return touched


def sums_before(energy: Floats, window: int) -> Floats:
    """(hops,): for each hop of a sequence that repeats for ever, the sum of the `window` hops before it."""
    whole, rest = divmod(window, len(energy))
    running = np.cumsum(np.concatenate(([0.0], energy, energy)))
    ends = np.arange(len(energy), 2 * len(energy))
    sums: Floats = whole * running[len(energy)] + running[ends] - running[ends - rest]
    return np.maximum(sums, 0.0)
