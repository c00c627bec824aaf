"""Finds one gain for each performance, before anything plays, at which every cap holds over every window."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from math import floor, inf, log10

import numpy as np
from numpy.typing import NDArray

from residue.dsp import exact
from residue.durations import duration_in_words, place_in_words
from residue.loudness.caps.caps import Cap, level_in_words, protecting_caps
from residue.loudness.caps.ears import ear_of
from residue.loudness.caps.instants import InstantCap, instant_cap
from residue.loudness.meters.hops import HOP_S
from residue.loudness.outputs.outputs import Output
from residue.loudness.plan.neighbours import Neighbours, within
from residue.loudness.plan.order import Layout, Order, repeated
from residue.loudness.plan.profile import LevelProfile
from residue.loudness.stage.budget import terms
from residue.loudness.stage.limiter import limiter_ceiling

Floats = NDArray[np.float64]
ProfileSequence = Sequence[tuple[str, LevelProfile]]
Outputs = tuple[str, ...]
"""Names of outputs that are lowered together."""

_SAFETY = 1.0 - 4e-6
"""A margin for the governor, which counts in units of a millionth and rounds up."""
_SILENT = 1e-9
"""A true peak below this, -180 dBFS, comes from the filters alone."""
_STEPS_PER_DB = 100
"""Gains are given in hundredths of a dB, rounded down."""


@dataclass(frozen=True, slots=True)
class Approach:
    """The nearest approach of a performance, at its planned gain, to a cap."""

    cap: Cap
    level: float
    """In the unit of the cap; -inf if the performance never sounds there."""
    at_s: float
    """The end of the window: the time within the performance, or the rest after it."""
    course: Floats | None = field(default=None, compare=False, repr=False)
    """(hops,): the level over the window that ends with each hop of the performance and its rest; None for a
    maximum.
    """

    @property
    def headroom_db(self) -> float:
        """The distance to the limit."""
        return self.cap.limit - self.level

    @property
    def at_in_words(self) -> str:
        """The time of the nearest approach, such as 17:40."""
        return place_in_words(self.at_s)


@dataclass(frozen=True, slots=True)
class Lowering:
    """The attenuation of a performance in addition to its gain."""

    knots_db: tuple[float, ...] = ()
    """One value a minute, where the arc is shaped."""
    alone_db: dict[str, float] = field(default_factory=dict)
    """The attenuation by output, where some are lowered further than others."""


@dataclass(frozen=True, slots=True)
class LoweredAlone:
    """Outputs with the same kind of transducer that are lowered further than all others, by the same amount."""

    outputs: tuple[str, ...]
    gain_db: float
    """Below 0; added to the gain of the performance."""
    reason: str
    """The cap or ceiling of one of these outputs that decides the gain."""


@dataclass(frozen=True, slots=True)
class PlannedPerformance:
    """The plan for one performance."""

    name: str
    gain_db: float
    """Never above 0. The engine applies exact.gain_from_db of it, before the cap stage."""
    reason: str
    """The cap or ceiling that decides the gain; empty if nothing is lowered."""
    nearest: tuple[Approach, ...]
    """One for each cap."""
    knots_db: tuple[float, ...] = ()
    """Further attenuation, one value a minute, where the arc is shaped."""
    alone: tuple[LoweredAlone, ...] = ()
    """Further attenuation on some outputs only."""

    @property
    def words(self) -> str:
        """A sentence for a curator."""
        if self.reason:
            how = f"lowered by {_lowered(self.gain_db)} throughout so that {self.reason} is never exceeded"
        else:
            how = "lowered nowhere else" if self._shaped else "the plan lowers nothing"
        lowered = ", ".join([", and ".join([*self._shape_words(), how]), *self._alone_words()])
        return f"{self.name}: {lowered}; {self._nearest_words()}."

    @property
    def lowering(self) -> Lowering:
        """Further attenuation, in the form that the playback takes."""
        return Lowering(self.knots_db, {output: one.gain_db for one in self.alone for output in one.outputs})

    @property
    def _shaped(self) -> bool:
        return bool(self.knots_db) and min(self.knots_db) < 0.0

    def _shape_words(self) -> Iterator[str]:
        """A sentence on the cost of a shaped arc."""
        if self._shaped:
            least, most = abs(max(self.knots_db)), abs(min(self.knots_db))
            at = self.knots_db.index(min(self.knots_db)) + 1
            yield (
                f"shaped: minute {at} is lowered by {most:.1f} dB and its quietest by {least:.1f}, "
                f"{most - least:.1f} dB less contrast"
            )

    def _alone_words(self) -> Iterator[str]:
        for one in self.alone:
            yield f"but {' and '.join(one.outputs)} lowered by {_lowered(one.gain_db)} more, for {one.reason}"

    def _nearest_words(self) -> str:
        sounding = [approach for approach in self.nearest if approach.level > -inf]
        if not sounding:
            return "it is silent at every place that a cap measures"
        least = min(sounding, key=lambda approach: approach.headroom_db)
        return f"nearest {level_in_words(least.level, least.cap.unit)} of {least.cap.name} at {least.at_in_words}"


def _lowered(gain_db: float) -> str:
    return f"{-gain_db:.1f} dB" if gain_db <= -0.05 else f"{-gain_db:.2f} dB"


@dataclass(frozen=True, slots=True)
class Plan:
    """The gains of a programme."""

    performances: tuple[PlannedPerformance, ...]

    def of(self, name: str) -> PlannedPerformance:
        """The plan for a performance. Raises KeyError for one that is not in the programme."""
        return {performance.name: performance for performance in self.performances}[name]

    def gain_db(self, name: str) -> float:
        """The gain of a performance. Raises KeyError for one that is not in the programme."""
        return self.of(name).gain_db


@dataclass(slots=True)
class _Gain:
    """The square of a gain while the plan lowers it, and the reason for it."""

    power: float = 1.0
    reason: str = ""

    def lower(self, power: float, reason: str) -> None:
        if power < self.power:
            self.power, self.reason = power, reason

    @property
    def db(self) -> float:
        """The gain in dB, rounded down, as it is applied."""
        if self.power >= 1.0:
            return 0.0
        return floor(10.0 * log10(self.power) * _STEPS_PER_DB) / _STEPS_PER_DB


def plan(programme: ProfileSequence, rest_s: float, caps: Sequence[Cap], outputs: Mapping[str, Output]) -> Plan:
    """The plan of performances that follow each other in this order, again and again."""
    return plan_order(dict(programme), repeated([name for name, _ in programme], rest_s), caps, outputs)


def plan_order(
    profiles: Mapping[str, LevelProfile], order: Order, caps: Sequence[Cap], outputs: Mapping[str, Output]
) -> Plan:
    """The greatest gains, none above 0 dB, at which neither governor nor limiter acts in any possible order.

    First each performance is planned by itself, with its own repeats. Where windows then hold too much of several
    performances together, those are lowered by the same factor. A cap on one output lowers the outputs with the same
    kind of transducer, as the limiter does: speakers keep their balance, and a shaker lowers no speaker. A cap on all
    outputs together lowers all, as if none were lowered alone.
    profiles: of every performance in the order, and of no other.
    """
    every_cap = (*caps, *protecting_caps(outputs))
    kinds = _kinds(outputs)
    concerned = {cap: _concerned(cap, outputs, kinds) for cap in every_cap}
    gains: dict[Outputs, dict[str, _Gain]] = {}
    for kind in kinds:
        own = [cap for cap in every_cap if concerned[cap] == kind]
        gains[kind] = {name: _Gain() for name in profiles}
        for name, gain in gains[kind].items():
            _keep_ceilings(gain, profiles[name], kind, outputs)
        _keep(gains[kind], profiles, order, own, outputs)
    every = {
        name: replace(max((gains[kind][name] for kind in _sounding(profile, outputs, kinds)), key=_by_power))
        for name, profile in profiles.items()
    }
    _keep(every, profiles, order, [cap for cap in every_cap if concerned[cap] == ()], outputs)
    gains = {
        kind: {name: min(every[name], gain, key=_by_power) for name, gain in found.items()}
        for kind, found in gains.items()
    }
    applied = {cap: gains.get(concerned[cap], every) for cap in every_cap}
    nearest = _nearest_at_once(every_cap, outputs, profiles, applied)
    for window in _windows(every_cap, outputs, profiles, order):
        for name, approach in window.approaches(applied[window.cap]):
            known = nearest.get((name, window.cap))
            if known is None or approach.level > known.level:
                nearest[name, window.cap] = approach
    return Plan(
        tuple(
            PlannedPerformance(
                name,
                gain.db,
                gain.reason,
                tuple(nearest[name, cap] for cap in every_cap),
                alone=tuple(_lowered_alone(name, gain, gains, kinds)),
            )
            for name, gain in every.items()
        )
    )


def _kinds(outputs: Mapping[str, Output]) -> list[Outputs]:
    """The outputs by kind of transducer."""
    kinds = dict.fromkeys(output.transducer for output in outputs.values())
    return [tuple(name for name, output in outputs.items() if output.transducer == kind) for kind in kinds]


def _concerned(cap: Cap, outputs: Mapping[str, Output], kinds: Sequence[Outputs]) -> Outputs:
    """The kind of output that a cap lowers if it measures one output only; () if it lowers all."""
    only = ear_of(cap, outputs).only
    if only is None or len(kinds) == 1:
        return ()
    name = tuple(outputs)[only]
    return next(kind for kind in kinds if name in kind)


def _sounding(profile: LevelProfile, outputs: Mapping[str, Output], kinds: Sequence[Outputs]) -> Sequence[Outputs]:
    """The kinds of output on which a performance sounds; all if it is silent."""
    heard = {name for name, peak in zip(outputs, profile.true_peak, strict=True) if peak > _SILENT}
    return [kind for kind in kinds if heard.intersection(kind)] or kinds


def _by_power(gain: _Gain) -> float:
    return gain.power


def _lowered_alone(
    name: str, gain: _Gain, gains: Mapping[Outputs, Mapping[str, _Gain]], kinds: Sequence[Outputs]
) -> Iterator[LoweredAlone]:
    for kind in kinds:
        further = gains[kind][name]
        if further.db < gain.db:
            yield LoweredAlone(kind, round(further.db - gain.db, 2), further.reason)


def _windows(
    caps: Sequence[Cap], outputs: Mapping[str, Output], profiles: Mapping[str, LevelProfile], order: Order
) -> Iterator[_Windows]:
    """The windows one by one, computed again for each use: those of many shuffles would fill the memory."""
    windowed = [cap for cap in caps if cap.quantity.windowed]
    for pool in order.pools:
        for turns in pool.rounds:
            layout = Layout(turns, profiles)
            yield from (_Windows(cap, outputs, layout, pool.trim_db) for cap in windowed)


def _keep(
    gains: Mapping[str, _Gain],
    profiles: Mapping[str, LevelProfile],
    order: Order,
    caps: Sequence[Cap],
    outputs: Mapping[str, Output],
) -> None:
    """Lowers the gains until these caps hold."""
    for name, gain in gains.items():
        _keep_at_once(gain, profiles[name], caps, outputs)
    for window in _windows(caps, outputs, profiles, order):
        window.keep(gains)
    for window in _windows(caps, outputs, profiles, order):
        window.share(gains)
    for cap in caps:
        if cap.quantity.windowed:
            _share_over_closings(cap, outputs, profiles, order, gains)


def _keep_ceilings(gain: _Gain, profile: LevelProfile, kind: Outputs, outputs: Mapping[str, Output]) -> None:
    for (name, output), peak in zip(outputs.items(), profile.true_peak, strict=True):
        if peak > 0.0 and name in kind:
            ratio = limiter_ceiling(output) / float(peak) * _SAFETY
            gain.lower(ratio * ratio, f"the ceiling of {output.ceiling_dbtp:g} dBTP at {name}")


def _keep_at_once(gain: _Gain, profile: LevelProfile, caps: Sequence[Cap], outputs: Mapping[str, Output]) -> None:
    for cap in (cap for cap in caps if not cap.quantity.windowed):
        used = float(np.max(_used_at_once(_instant(cap, profile, outputs), profile)))
        if used > 0.0:
            gain.lower(_SAFETY / used, f"{cap.limit_in_words} as {cap.quantity.name}")


def _instant(cap: Cap, profile: LevelProfile, outputs: Mapping[str, Output]) -> InstantCap:
    return instant_cap(cap, profile.row(ear_of(cap, outputs).key))


def _used_at_once(instant: InstantCap, profile: LevelProfile) -> Floats:
    """(hops,): the used share of a cap that holds at every moment, also if the sound ends after a hop."""
    peaks, powers = (profile.peak, profile.ending_peak), (profile.fast, profile.ending_fast)
    shares = [instant.shares(*both) for both in zip(peaks, powers, strict=True)]
    larger: Floats = np.max(shares, axis=0)
    return larger


def _nearest_at_once(
    caps: Sequence[Cap],
    outputs: Mapping[str, Output],
    profiles: Mapping[str, LevelProfile],
    gains: Mapping[Cap, Mapping[str, _Gain]],
) -> dict[tuple[str, Cap], Approach]:
    nearest = {}
    for cap in caps:
        for name, profile in profiles.items() if not cap.quantity.windowed else ():
            instant = _instant(cap, profile, outputs)
            used = _used_at_once(instant, profile)
            at = int(np.argmax(used))
            level = instant.level_of(float(used[at])) + gains[cap][name].db
            nearest[name, cap] = Approach(cap, level, at * HOP_S)
    return nearest


class _Windows:
    """The energy that one cap counts at every hop of a round, for each performance at full gain.

    It is computed again for each use: that of a thousand performances would fill the memory.
    """

    def __init__(self, cap: Cap, outputs: Mapping[str, Output], layout: Layout, trim_db: float) -> None:
        self.cap = cap
        self._layout = layout
        self._terms = terms(cap)
        self._allowed = self._terms.energy(self._terms.total) * _SAFETY
        self._words = _words(cap)
        self._key, self._trim = ear_of(cap, outputs).key, self._terms.scaled(exact.power(10.0, trim_db / 10.0))

    def _sums(self, name: str) -> Iterator[tuple[slice, Floats]]:
        """The energy of the window before each hop, where it is not 0."""
        for stretch, sums, _ in self._heard(name):
            yield stretch, sums

    def _used(self, name: str) -> Iterator[tuple[slice, Floats]]:
        """The same, plus `knee` times the hop itself, as the governor counts it."""
        for stretch, sums, here in self._heard(name):
            yield stretch, sums + self._terms.knee * here

    def _heard(self, name: str) -> Iterator[tuple[slice, Floats, Floats]]:
        profile = self._layout.profiles[name]
        return self._layout.windows(name, self._trim * profile.energy[profile.row(self._key)], self._terms.hops)

    def keep(self, gains: Mapping[str, _Gain]) -> None:
        """Lowers each performance as far as it must be lowered if it plays alone."""
        for name in self._layout.profiles:
            most = max(float(np.max(used)) for _, used in self._used(name))
            if most > 0.0:
                gains[name].lower(self._terms.gain_power(self._allowed / most), self._words)

    def share(self, gains: Mapping[str, _Gain]) -> None:
        """Lowers the performances that together fill a window too much, each by the same factor."""
        total = self._at_gains(self._used, gains)
        if float(np.max(total)) <= self._allowed:
            return
        for name in self._layout.profiles:
            most = max(float(np.max(total[at][used > 0.0], initial=0.0)) for at, used in self._used(name))
            if most > self._allowed:
                power = gains[name].power * self._terms.gain_power(self._allowed / most)
                gains[name].lower(power, f"{self._words}, with what is played before and after it,")

    def approaches(self, gains: Mapping[str, _Gain]) -> Iterator[tuple[str, Approach]]:
        """The nearest approach of each performance in this round, at the applied gains."""
        ending = np.roll(self._at_gains(self._sums, gains), -1)
        with np.errstate(divide="ignore"):
            reached = np.log10(ending / self._terms.energy(self._terms.total))
        levels = self.cap.limit + 20.0 / self._terms.power * reached
        for name, start, end in self._layout.spans:
            at = int(np.argmax(levels[start:end]))
            yield name, Approach(self.cap, float(levels[start + at]), (at + 1) * HOP_S, levels[start:end].copy())

    def _at_gains(
        self, energies: Callable[[str], Iterator[tuple[slice, Floats]]], gains: Mapping[str, _Gain]
    ) -> Floats:
        """(hops,): of all performances together."""
        total = np.zeros(self._layout.hops)
        for name in self._layout.profiles:
            scale = self._terms.scaled(gains[name].power)
            for at, energy in energies(name):
                total[at] += scale * energy
        return total


def _share_over_closings(
    cap: Cap,
    outputs: Mapping[str, Output],
    profiles: Mapping[str, LevelProfile],
    order: Order,
    gains: Mapping[str, _Gain],
) -> None:
    """Lowers the performances that together fill a window too much, where the window spans several openings."""
    bounds, key = terms(cap), ear_of(cap, outputs).key
    allowed = bounds.energy(bounds.total) * _SAFETY
    met = dict.fromkeys(within(stretches, cap.window_s) for stretches in order.neighbours)
    counted = None
    for stretches in (stretches for stretches in met if len(stretches) > 1):
        counted = counted or Neighbours(bounds, key, profiles, {name: gain.power for name, gain in gains.items()})
        most = counted.used(stretches)
        if most > allowed:
            for name in {name for one in stretches for name in one.pool.names}:
                power = gains[name].power * bounds.gain_power(allowed / most)
                gains[name].lower(power, f"{_words(cap)}, with the opening before,")
            counted = None  # it was computed for other gains


def _words(cap: Cap) -> str:
    return f"{cap.limit_in_words} over {duration_in_words(cap.window_s)}"
