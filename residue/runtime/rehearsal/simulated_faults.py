"""Random faults of a season, from a seed, for a rehearsal."""

from __future__ import annotations

import random
from collections.abc import Callable, Iterator
from functools import partial

from residue.durations import rough_duration_in_words
from residue.runtime.house.exchange import Hold, Release
from residue.runtime.rehearsal.simulation import Incident, Simulation

DAYS_BETWEEN = 3.0
"""The mean time between two faults; far more of them than in a real house."""
_DAY_S = 86_400.0


def simulated_faults(seed: int, seconds: float) -> list[Incident]:
    """The faults of the house in this time: the same for the same seed."""
    chance = random.Random(seed)  # noqa: S311 (a game of chance, no secret)
    found: list[Incident] = []
    at_s = chance.expovariate(1.0 / (DAYS_BETWEEN * _DAY_S))
    while at_s < seconds:
        found += chance.choice(_KINDS)(chance, at_s)
        at_s += chance.expovariate(1.0 / (DAYS_BETWEEN * _DAY_S))
    return found


FaultKind = Callable[[random.Random, float], Iterator[Incident]]


def _power(chance: random.Random, at_s: float) -> Iterator[Incident]:
    off_s = chance.uniform(20.0, 7_200.0)
    yield Incident(at_s, f"The power fails for {rough_duration_in_words(off_s)}.", lambda house: house.restart(off_s))


def _device(chance: random.Random, at_s: float) -> Iterator[Incident]:
    lost_s = chance.uniform(1.0, 1_800.0)
    why = "The sound device is gone."
    yield Incident(
        at_s, f"The sound device is gone for {rough_duration_in_words(lost_s)}.", lambda house: house.engine.lose(why)
    )
    yield Incident(at_s + lost_s, "The sound device is back.", lambda house: house.engine.lose(None))


def _clock(chance: random.Random, at_s: float) -> Iterator[Incident]:
    off_s = chance.choice([-1.0, 1.0]) * chance.uniform(2.0, 10_800.0)
    way = "forward" if off_s > 0 else "back"
    yield Incident(
        at_s, f"The clock steps {way} by {rough_duration_in_words(abs(off_s))}.", partial(_set_off, off_s=off_s)
    )
    yield Incident(at_s + chance.uniform(1.0, 600.0), "The clock is set right.", partial(_set_off, off_s=0.0))


def _person(chance: random.Random, at_s: float) -> Iterator[Incident]:
    held_s = chance.uniform(60.0, 3_600.0)
    by = "the front desk"
    yield Incident(
        at_s, f"{by.capitalize()} holds for {rough_duration_in_words(held_s)}.", lambda house: house.tell(Hold(by))
    )
    yield Incident(at_s + held_s, f"{by.capitalize()} releases.", lambda house: house.tell(Release(by)))


def _engine(_chance: random.Random, at_s: float) -> Iterator[Incident]:
    yield Incident(at_s, "The engine hangs.", lambda house: house.engine.hang())


_KINDS: tuple[FaultKind, ...] = (_power, _device, _clock, _person, _engine)


def _set_off(house: Simulation, *, off_s: float) -> None:
    house.clock.off_s = off_s
