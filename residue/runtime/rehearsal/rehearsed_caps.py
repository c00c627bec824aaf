"""The caps over a rehearsed season: the highest level for each, and whether the governor would have to act."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import cache
from itertools import groupby
from math import inf

import numpy as np
from numpy.typing import NDArray

from residue.dsp import exact
from residue.loudness.caps.caps import Cap
from residue.loudness.meters.hops import HOP_S
from residue.loudness.stage.budget import terms
from residue.runtime.rehearsal.simulation import PlayedStretch

Units = NDArray[np.int64]

_CHUNK_S = 86_400.0
"""The season is processed day by day, so that it needs only the memory of two days."""


@dataclass(frozen=True)
class CapSound:
    """The energy that one cap counts in each performance.

    energy: by performance, (hops,), at the planned gain, in the unit of the cap's ear.
    """

    cap: Cap
    energy: Mapping[str, NDArray[np.float64]]


@dataclass(frozen=True, slots=True, kw_only=True)
class CapResult:
    """The result for one cap."""

    name: str
    unit: str
    limit: float
    highest: float | None
    """The highest level of any window; None where nothing was heard."""
    highest_at: datetime | None
    governor_s: float
    """The time for which the governor would have to lower the planned sound."""


def kept(sound: CapSound, heard: Sequence[PlayedStretch], start: datetime) -> CapResult:
    """Checks all sound in order of time, with the same inequality as plan and governor.

    start: the beginning of the rehearsal, from which hops are counted.
    """
    bounds = terms(sound.cap)
    highest, highest_at, acting = 0, None, 0
    for first, units in _stretches(sound, heard, start):
        sums = np.concatenate((np.zeros(1, np.int64), np.cumsum(units)))
        now = units[bounds.hops :]
        before = sums[bounds.hops : -1] - sums[: len(now)]
        acting += int(np.count_nonzero((before + bounds.knee * now > bounds.total) & (now > 0)))
        window = before + now - units[: len(now)]
        at = int(np.argmax(window))
        if window[at] > highest:
            highest, highest_at = int(window[at]), first + at
    level = sound.cap.limit + bounds.level(highest)
    return CapResult(
        name=sound.cap.name,
        unit=sound.cap.unit,
        limit=sound.cap.limit,
        highest=None if level == -inf else round(level, 1),
        highest_at=None if highest_at is None else start + timedelta(seconds=(highest_at + 1) * HOP_S),
        governor_s=round(acting * HOP_S, 1),
    )


def _stretches(sound: CapSound, heard: Sequence[PlayedStretch], start: datetime) -> Iterator[tuple[int, Units]]:
    """For each day the units of every hop from its first sound to its last, with those of the window before it.

    Gives the number of the first sounding hop, which is at index `hops` of the units.
    """
    bounds = terms(sound.cap)

    @cache
    def units_of(performance: str, trim_db: float) -> Units:
        energy = sound.energy[performance] * bounds.scaled(exact.power(10.0, trim_db / 10.0))
        return np.array([bounds.units(float(hop)) for hop in energy], dtype=np.int64)

    def placed(one: PlayedStretch) -> tuple[int, Units]:
        whole = units_of(one.performance, one.trim_db)
        begins = round((one.begins - start).total_seconds() / HOP_S)
        return begins, whole[round(one.from_s / HOP_S) : round(one.to_s / HOP_S)]

    window: list[tuple[int, Units]] = []
    for _, day in groupby(heard, lambda one: int((one.begins - start).total_seconds() // _CHUNK_S)):
        now = [(begins, units) for begins, units in map(placed, day) if len(units)]
        if not now:
            continue
        first, last = now[0][0], now[-1][0] + len(now[-1][1])
        window = [(begins, units) for begins, units in window if begins + len(units) > first - bounds.hops] + now
        stretch = np.zeros(last - first + bounds.hops, np.int64)
        for begins, units in window:
            place = begins - first + bounds.hops
            stretch[max(0, place) : place + len(units)] = units[max(0, -place) :]
        yield first, stretch
