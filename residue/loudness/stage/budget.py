"""The energy that one cap allows, counted in exact integers."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from math import ceil, floor, inf, sqrt

import numpy as np
from numpy.typing import NDArray

from residue.dsp import exact
from residue.loudness.caps.caps import Cap
from residue.loudness.caps.ears import Ear
from residue.loudness.caps.quantities import Statistic
from residue.loudness.meters.hops import HOP_FRAMES, HOP_RATE_HZ, HOP_S
from residue.loudness.meters.weightings import Weighting, power_gain, sections
from residue.loudness.stage.history import SPARED_SHARE, LimitThen, LogLag, SentHistory, Unlogged

RECOVERY_DB_PER_S = 1.0
"""The speed at which the gain of the governor rises again."""
HOP_UNITS = 1 << 20
"""The energy of one hop at the limit of its cap, in units: a rounding error is a millionth of the limit."""
_MOST_UNITS = 1 << 44
_NEGLIGIBLE = 1e-9
_BETWEEN = 1.02
"""Between two of the frequencies at which a weighting is evaluated it rises by less than this."""
KNEE_SHARE = 0.02
"""The next hop may use at most 1 / (KNEE_SHARE window) of the rest, so that a cap is approached slowly.
It costs 0.09 dB of the limit, and more where the loudest hop is far louder than the mean: MOST_KNEE limits that."""
MOST_KNEE = 60.0
"""In hops, 6 s: in a window of 8 h, for a sound whose loudest hops are 12 dB above its mean, a knee of 2 % costs 0.8
dB, and this knee 0.01 dB.
"""
LEAST_KNEE = 1.05
"""In hops: in a window of a second it costs 0.43 dB. The part above 1 is for the tail of the last hop."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Terms:
    """The inequality of a cap, in hops and units: (sent over the last `hops`) + `knee` * (next hop) <= `total`."""

    hops: int
    knee: float
    hop_energy: float
    """The energy of a hop at the limit, in the unit of the ear."""
    power: int = 2
    """The power of the signal that counts (Ear.power)."""

    @property
    def total(self) -> int:
        """The budget in units."""
        return self.hops * HOP_UNITS

    def units(self, energy: float) -> int:
        """An energy in units, rounded up; less than a billionth of a unit is an error of rounding and counts as 0."""
        return int(np.ceil(min(energy / self.hop_energy * HOP_UNITS, float(_MOST_UNITS)) - _NEGLIGIBLE))

    def units_of(self, energies: NDArray[np.float64]) -> NDArray[np.int64]:
        """The same for many energies."""
        units = np.minimum(energies / self.hop_energy * HOP_UNITS, float(_MOST_UNITS))
        return np.ceil(units - _NEGLIGIBLE).astype(np.int64)

    def energy(self, units: float) -> float:
        """The energy of some units."""
        return units / HOP_UNITS * self.hop_energy

    def level(self, units: float, hops: int | None = None) -> float:
        """The mean level of some units over some hops (if not given, over the window), in dB relative to the limit."""
        mean = units / ((self.hops if hops is None else hops) * HOP_UNITS)
        return 20.0 / self.power * float(np.log10(mean)) if mean > 0.0 else float("-inf")

    def scaled(self, gain_power: float) -> float:
        """The factor for an energy if the square of the gain is gain_power."""
        return gain_power if self.power == 2 else gain_power * gain_power

    def gain_power(self, scaled: float) -> float:
        """The square of the gain that scales an energy by so much."""
        return scaled if self.power == 2 else sqrt(scaled)


def terms(cap: Cap) -> Terms:
    """The terms of a cap over a window.

    A window of n hops at any position touches at most n + 1 hops of the grid. The terms bound the sum of these, so the
    cap holds at every sample.
    """
    return _terms(cap.window_s, cap.limit, power=4 if cap.quantity.statistic is Statistic.DOSE else 2)


def _terms(window_s: float, limit: float, power: int) -> Terms:
    hops = round(window_s / HOP_S)
    knee = min(MOST_KNEE, max(LEAST_KNEE, float(round(KNEE_SHARE * hops))))
    if power == 4:  # the fourth power of the limit is spread over the window
        return Terms(hops=hops, knee=knee, hop_energy=exact.power(10.0, limit / 5.0) * HOP_RATE_HZ / hops, power=4)
    return Terms(hops=hops, knee=knee, hop_energy=exact.power(10.0, limit / 10.0) * HOP_FRAMES)


class Budget:
    """The energy sent under one cap over its window."""

    def __init__(self, cap: Cap, ear: Ear, history: SentHistory) -> None:
        self.cap, self.terms = cap, terms(cap)
        self.limit = LimitThen(ear.key, cap.window_s, cap.limit)
        self.spared_units: Mapping[LogLag, float] = {
            LogLag.NONE: inf,
            LogLag.ROWS: _before_rising(self.terms, SPARED_SHARE * HOP_UNITS),
            LogLag.RUN: _before_rising(
                self.terms, min(history.untold.share * HOP_UNITS, _most_spared(self.terms, ear, history.untold))
            ),
        }
        """The most units of the next hop, by what the log does not tell yet."""
        self._ring = seeded(self.terms, ear, history)
        self._at = 0  # the place of the oldest hop
        self.spent = int(np.add.reduce(self._ring))
        """Units of the last window."""

    @property
    def oldest(self) -> int:
        """Units of the hop that leaves the window after the next one has been sent."""
        return int(self._ring[self._at])

    def latest_first(self) -> NDArray[np.int64]:
        """(hops,): units of each hop of the last window."""
        return np.concatenate((self._ring[: self._at][::-1], self._ring[self._at :][::-1]))

    def left(self) -> int:
        """The units that are left for `knee` times the next hop."""
        return self.terms.total - self.spent

    def send(self, units: int) -> None:
        """Adds one hop that was sent, in units of the budget."""
        self.spent += units - self.oldest
        self._ring[self._at] = units
        self._at = (self._at + 1) % len(self._ring)

    def count(self, units: NDArray[np.int64]) -> None:
        """Adds units that were sent before the start, (hops,), the latest last; only before the first `send`."""
        self._ring += units
        self.spent += int(np.add.reduce(units))

    def level(self) -> float:
        """The level over the window up to now, in the unit of the cap."""
        return self.cap.limit + self.terms.level(self.spent)


def shares_of_hops(budget: Budget, now: float, then: float, *, held: bool, begins: bool) -> Iterator[float]:
    """The used shares of the bounds: by the energy of the held hop (only if `held`), and by that of the hop after it.

    begins: whether what comes next begins another hop; else `then` is the energy of the same hop, grown further. Units
    are rounded up, once for the held hop and `knee` times for the hop after it.
    """
    terms, left = budget.terms, budget.left()
    if held:
        yield share_of(terms.knee * now, terms.energy(left - terms.knee))
    if begins:
        yield share_of(now + terms.knee * then, terms.energy(left + budget.oldest - terms.knee - 1))
    else:
        yield share_of(terms.knee * then, terms.energy(left - terms.knee))


def ending_share(budget: Budget, now: float, ended: float, *, begins: bool) -> float:
    """The used share of what is left, if the slice after the held one ends the sound.

    ended: the energy of its hop, and of the ringing after it, which may be rounded up twice.
    """
    terms, left = budget.terms, budget.left()
    if begins:
        return share_of(now + ended, terms.energy(left + budget.oldest - 2))
    return share_of(ended, terms.energy(left - 2))


def share_of(energy: float, bound: float) -> float:
    """The share of a bound that an energy uses."""
    return energy / bound if bound > 0.0 else inf if energy > 0.0 else 0.0


def seeded(terms: Terms, ear: Ear, history: SentHistory) -> np.ndarray[tuple[int], np.dtype[np.int64]]:
    """(hops,): the units that count as sent before the start, oldest first; each row at its latest possible time."""
    ring = np.zeros(terms.hops, dtype=np.int64)
    if history.unreadable:
        if (age := int(history.ended_s / HOP_S)) < terms.hops:
            ring[-1 - age] = terms.total
        return ring
    limit = 10.0 * exact.log10(terms.hop_energy / HOP_FRAMES)
    # A row that was written before this cap was set has no level for it: then the limit counts.
    rows = [(row.age_s, row.duration_s, row.sent.get(ear.key, limit)) for row in history.rows]
    ages_s, durations_s, levels = np.array(rows, dtype=np.float64).reshape(-1, 3).T
    ages = np.floor((np.maximum(0.0, ages_s) + history.ended_s) / HOP_S).astype(np.int64)
    units = terms.units_of(10.0 ** (levels / 10.0) * HOP_FRAMES * np.ceil(durations_s / HOP_S))
    counted = (ages < terms.hops) & (levels > float("-inf"))
    np.add.at(ring, -1 - ages[counted], units[counted])
    _assume_spared(ring, terms, ear, history)
    _assume_unlogged(ring, terms, ear, history)
    return ring


def _assume_spared(
    ring: np.ndarray[tuple[int], np.dtype[np.int64]], terms: Terms, ear: Ear, history: SentHistory
) -> None:
    """Fills the times in which no row was written down with the most that the governor allowed then."""
    loudest = _loudest_units(terms, ear)
    for spared in history.spared:
        latest, hops = _place(terms, spared, history)
        most = min(ceil(_most_spared(terms, ear, spared)), loudest, terms.total)  # a hop of the total silences
        ring[terms.hops - latest - hops : terms.hops - latest] += most


def _most_spared(terms: Terms, ear: Ear, time: Unlogged) -> float:
    """The units that a hop used at most in a time that is spared, by the strictest limit of then."""
    limit = min(bound.hop_energy for bound in _in_force(terms, ear, time)) / terms.hop_energy
    return time.share * HOP_UNITS * limit


def _before_rising(terms: Terms, spared: float) -> int:
    """The units of a hop at the gain before it; when it is sent, its gain may be rising."""
    rising = exact.gain_from_db(RECOVERY_DB_PER_S * HOP_S) ** 2
    return floor(spared / terms.scaled(rising))


def _assume_unlogged(
    ring: np.ndarray[tuple[int], np.dtype[np.int64]], terms: Terms, ear: Ear, history: SentHistory
) -> None:
    """Fills the times without a row with the most that can have been sent.

    For each hop this is 1 / knee of the rest, as the governor allowed then, or the most that the outputs can give, if
    that is less. The latest hop gets the most, as if the hops before it were silent, and so on back in time. So the
    energy left in the window is never less than was really sent.
    """
    logged, loudest = np.cumsum(ring), _loudest_units(terms, ear)
    assumed: dict[Terms, int] = {}  # hops
    for unlogged in sorted(history.unlogged, key=lambda one: one.age_s):
        latest, hops = _place(terms, unlogged, history)
        if not hops:
            continue
        most = [loudest] * hops
        if not assumed:
            most[0] *= 2  # it may also contain the ringing of the filters from the hop before
        within = {
            bound: _within(bound, terms, logged, latest, most, assumed.get(bound, 0))
            for bound in _in_force(terms, ear, unlogged)
        }
        strictest = min(within, key=lambda bound: sum(within[bound]))
        assumed[strictest] = assumed.get(strictest, 0) + hops
        for age, units in enumerate(within[strictest], start=latest):
            ring[-1 - age] += units


def _place(terms: Terms, time: Unlogged, history: SentHistory) -> tuple[int, int]:
    """The age of the latest hop of a time, and the number of its hops in the window."""
    latest = int((max(0.0, time.age_s) + history.ended_s) / HOP_S)
    return latest, max(0, min(terms.hops - latest, ceil(time.duration_s / HOP_S)))


def _in_force(terms: Terms, ear: Ear, time: Unlogged) -> Sequence[Terms]:
    """The terms that bounded what an ear received in a time without a row."""
    then = [_terms(one.window_s, one.level, ear.power) for one in time.limits if one.ear == ear.key]
    return then or [terms]


def _within(
    bound: Terms, terms: Terms, logged: NDArray[np.int64], latest: int, most: Sequence[int], assumed: int
) -> list[int]:
    """What hops without a row can have had under some terms, the latest first, in units of `terms`.

    assumed: the number of later hops that have had what they can have under these terms.
    """
    before = latest + bound.hops
    in_window = int(logged[-1 - latest]) - (int(logged[-1 - before]) if before < terms.hops else 0)
    left = max(0.0, bound.total * (bound.hop_energy / terms.hop_energy) - in_window)
    units = list[int]()
    for number, loudest in enumerate(most, start=assumed):
        if number == assumed or number % bound.hops == 0:  # what is older is in another window
            share = exact.power(1.0 - 1.0 / bound.knee, number % bound.hops) / bound.knee
        units.append(min(ceil(left * share), loudest, terms.total))
        share *= 1.0 - 1.0 / bound.knee
    return units


def _loudest_units(terms: Terms, ear: Ear) -> int:
    """The most that an ear can receive of a hop: all outputs at full scale, added in phase."""
    if terms.power != 2:
        return _MOST_UNITS
    return terms.units(sum(ear.gains) ** 2 * _highest_power_gain(ear.weighting) * HOP_FRAMES)


@lru_cache
def _highest_power_gain(weighting: Weighting) -> float:
    """The square of the greatest magnitude of a weighting."""
    sos = sections(weighting, HOP_RATE_HZ)
    return max(power_gain(sos, float(hz), HOP_RATE_HZ) for hz in np.geomspace(0.5, 23_900.0, 500)) * _BETWEEN
