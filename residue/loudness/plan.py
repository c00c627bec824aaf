"""One gain for each performance, found before anything plays, at which every cap holds over every window."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from math import ceil, floor, inf, log10

import numpy as np
from numpy.typing import NDArray

from residue.loudness.budget import terms
from residue.loudness.caps import Cap, duration_in_words, level_in_words, protecting_caps
from residue.loudness.ears import ear_of
from residue.loudness.hops import HOP_S
from residue.loudness.instants import instant_cap
from residue.loudness.levels import db_of_power
from residue.loudness.limiter import limiter_ceiling
from residue.loudness.outputs import Output
from residue.loudness.profile import LevelProfile

Floats = NDArray[np.float64]
Programme = Sequence[tuple[str, LevelProfile]]

_SAFETY = 1.0 - 4e-6
"""The governor counts in units of a millionth and rounds up; the plan stays clear of that."""
_STEPS_PER_DB = 100
"""Gains are given in hundredths of a dB, rounded down."""


@dataclass(frozen=True, slots=True)
class Approach:
    """Where a performance, played at its planned gain, comes nearest to a cap."""

    cap: Cap
    level: float
    """In the unit of the cap; -inf if it never sounds there."""
    at_s: float
    """Time within the performance, or the rest after it, at which the window ends."""

    @property
    def headroom_db(self) -> float:
        """What is left to the limit."""
        return self.cap.limit - self.level


@dataclass(frozen=True, slots=True)
class PlannedPerformance:
    """What was found for one performance."""

    name: str
    gain_db: float
    """Never above 0; what the engine applies, as exact.gain_from_db of it, before the cap stage."""
    reason: str
    """The cap or ceiling that decided the gain; empty if nothing had to be lowered."""
    nearest: tuple[Approach, ...]
    """For each cap."""
    courses: Mapping[Cap, Floats] = field(default_factory=dict)
    """For each cap over a window, (hops,): the level over the window that ends with each hop, rest included."""
    knots_db: tuple[float, ...] = ()
    """What is lowered on top of it, one a minute, where the arc is shaped."""

    @property
    def words(self) -> str:
        """A sentence for a curator."""
        if self.reason:
            lowered = f"{-self.gain_db:.1f}" if self.gain_db <= -0.05 else f"{-self.gain_db:.2f}"
            how = f"lowered by {lowered} dB throughout so that {self.reason} is never passed"
        else:
            how = "lowered nowhere else" if self._shaped else "as it was performed"
        return f"{self.name}: {', and '.join([*self._shape_words(), how])}; {self._nearest_words()}."

    @property
    def _shaped(self) -> bool:
        return bool(self.knots_db) and min(self.knots_db) < 0.0

    def _shape_words(self) -> Iterator[str]:
        """What a shaped arc costs."""
        if self._shaped:
            least, most = abs(max(self.knots_db)), abs(min(self.knots_db))
            at = self.knots_db.index(min(self.knots_db)) + 1
            yield (
                f"shaped: minute {at} is lowered by {most:.1f} dB and its quietest by {least:.1f}, "
                f"{most - least:.1f} dB less contrast"
            )

    def _nearest_words(self) -> str:
        sounding = [approach for approach in self.nearest if approach.level > -inf]
        if not sounding:
            return "it is silent wherever a cap listens"
        least = min(sounding, key=lambda approach: approach.headroom_db)
        minutes, seconds = divmod(round(least.at_s), 60)
        return f"nearest {level_in_words(least.level, least.cap.unit)} of {least.cap.name} at {minutes}:{seconds:02d}"


@dataclass(frozen=True, slots=True)
class Plan:
    """The gains of a programme."""

    performances: tuple[PlannedPerformance, ...]

    def of(self, name: str) -> PlannedPerformance:
        """What was found for a performance. Raises KeyError for one that is not in the programme."""
        return {performance.name: performance for performance in self.performances}[name]

    def gain_db(self, name: str) -> float:
        """The gain of a performance. Raises KeyError for one that is not in the programme."""
        return self.of(name).gain_db


@dataclass(slots=True)
class _Gain:
    """The square of a gain on its way down, and what brought it there."""

    power: float = 1.0
    reason: str = ""

    def lower(self, power: float, reason: str) -> None:
        if power < self.power:
            self.power, self.reason = power, reason

    @property
    def db(self) -> float:
        """In dB, rounded down: what is applied."""
        if self.power >= 1.0:
            return 0.0
        return floor(10.0 * log10(self.power) * _STEPS_PER_DB) / _STEPS_PER_DB


def plan(programme: Programme, rest_s: float, caps: Sequence[Cap], outputs: Mapping[str, Output]) -> Plan:
    """The greatest gains, none above 0 dB, at which neither governor nor limiter acts, the repeat included.

    First each performance by itself, repeats of the programme included; where windows then hold too much of several
    performances together, those are lowered by the same factor.
    """
    every_cap = (*caps, *protecting_caps(outputs))
    layout = Layout(programme, rest_s)
    windows = [_Windows(cap, outputs, layout) for cap in every_cap if cap.quantity.windowed]
    gains = {name: _Gain() for name in layout.profiles}
    for name, gain in gains.items():
        _keep_peaks(gain, layout.profiles[name], every_cap, outputs)
        for window in windows:
            window.keep(name, gain)
    for window in windows:
        window.share(gains)
    levels = {window.cap: window.levels(gains) for window in windows}
    return Plan(tuple(_planned(name, gain, layout, every_cap, outputs, levels) for name, gain in gains.items()))


class Layout:
    """Where the performances of a programme stand, in hops; it repeats for ever."""

    def __init__(self, programme: Programme, rest_s: float) -> None:
        self.profiles = dict(programme)
        rest = ceil(rest_s / HOP_S)
        ends = np.cumsum([profile.hops + rest for _, profile in programme])
        self.hops = int(ends[-1])
        self.spans = [
            (name, int(end) - profile.hops - rest, int(end))
            for (name, profile), end in zip(programme, ends, strict=True)
        ]
        """(name, first hop, first hop after the rest that follows)."""

    def energy(self, name: str, key: str) -> Floats:
        """(hops,): what an ear receives of a performance, wherever it is played."""
        profile = self.profiles[name]
        heard = np.zeros(self.hops)
        for played, start, _ in self.spans:
            if played == name:
                heard[start : start + profile.hops] = profile.energy[profile.row(key)]
        return heard


def _keep_peaks(gain: _Gain, profile: LevelProfile, caps: Sequence[Cap], outputs: Mapping[str, Output]) -> None:
    for (name, output), peak in zip(outputs.items(), profile.true_peak, strict=True):
        if peak > 0.0:
            ratio = limiter_ceiling(output) / float(peak) * _SAFETY
            gain.lower(ratio * ratio, f"the ceiling of {output.ceiling_dbtp:g} dBTP at {name}")
    for cap in caps:
        used = float(np.max(_used_at_once(cap, profile, outputs), initial=0.0))
        if used > 0.0:
            gain.lower(_SAFETY / used, f"{cap.limit_in_words} as {cap.quantity.name}")


def _used_at_once(cap: Cap, profile: LevelProfile, outputs: Mapping[str, Output]) -> Floats:
    """(hops,): the share of what a cap allows at every moment; nothing for a cap over a window."""
    if cap.quantity.windowed:
        return np.zeros(0)
    instant = instant_cap(cap, profile.row(ear_of(cap, outputs).key))
    return np.array([instant.used(*hop) for hop in zip(profile.energy.T, profile.peak.T, strict=True)])


class _Windows:
    """What one cap counts at every hop of a programme, for each performance at full gain.

    used: (hops,), the window before each hop, and the hop itself `knee` times: the inequality of the governor.
    """

    def __init__(self, cap: Cap, outputs: Mapping[str, Output], layout: Layout) -> None:
        self.cap = cap
        self._terms = terms(cap)
        self._allowed = self._terms.energy(self._terms.total) * _SAFETY
        self._words = f"{cap.limit_in_words} over {duration_in_words(cap.window_s)}"
        key = ear_of(cap, outputs).key
        self._sums, self._used = {}, {}
        for name in layout.profiles:
            energy = layout.energy(name, key)
            self._sums[name] = _sums_before(energy, self._terms.hops)
            self._used[name] = self._sums[name] + self._terms.knee * energy

    def keep(self, name: str, gain: _Gain) -> None:
        """Lower a performance as far as it must be if it were alone."""
        most = float(np.max(self._used[name]))
        if most > 0.0:
            gain.lower(self._allowed / most, self._words)

    def share(self, gains: Mapping[str, _Gain]) -> None:
        """Lower those that together fill a window too much, each by the same factor."""
        total = _at_gains(self._used, gains)
        for name, used in self._used.items():
            most = float(np.max(total[used > 0.0], initial=0.0))
            if most > self._allowed:
                power = gains[name].power * self._allowed / most
                gains[name].lower(power, f"{self._words}, with what is played before and after it,")

    def levels(self, gains: Mapping[str, _Gain]) -> Floats:
        """(hops,): the level over the window that ends with each hop, at the gains as they are applied."""
        ending = np.roll(_at_gains(self._sums, gains), -1)
        with np.errstate(divide="ignore"):
            levels: Floats = self.cap.limit + 10.0 * np.log10(ending / self._terms.energy(self._terms.total))
        return levels


def _at_gains(energies: Mapping[str, Floats], gains: Mapping[str, _Gain]) -> Floats:
    total: Floats = np.add.reduce([gains[name].power * energy for name, energy in energies.items()])
    return total


def _sums_before(energy: Floats, window: int) -> Floats:
    """(hops,): for each hop of a sequence that repeats for ever, the sum of the `window` hops before it."""
    whole, rest = divmod(window, len(energy))
    running = np.cumsum(np.concatenate(([0.0], energy, energy)))
    ends = np.arange(len(energy), 2 * len(energy))
    sums: Floats = whole * running[len(energy)] + running[ends] - running[ends - rest]
    return np.maximum(sums, 0.0)


def _planned(
    name: str,
    gain: _Gain,
    layout: Layout,
    caps: Sequence[Cap],
    outputs: Mapping[str, Output],
    levels: Mapping[Cap, Floats],
) -> PlannedPerformance:
    nearest, courses = [], {}
    for cap in caps:
        if not cap.quantity.windowed:
            used = _used_at_once(cap, layout.profiles[name], outputs)
            at = int(np.argmax(used))
            nearest.append(Approach(cap, cap.limit + db_of_power(float(used[at])) + gain.db, at * HOP_S))
            continue
        spans = [levels[cap][start:end] for played, start, end in layout.spans if played == name]
        courses[cap] = max(spans, key=lambda span: float(np.max(span)))
        at = int(np.argmax(courses[cap]))
        nearest.append(Approach(cap, float(courses[cap][at]), (at + 1) * HOP_S))
    return PlannedPerformance(name, gain.db, gain.reason, tuple(nearest), courses)
