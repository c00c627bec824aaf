"""Computes the level of the outputs at every ear, hop by hop.

It is not known how the sounds of several outputs add up: ways differ from place to place, a delay moves one against the
other, and a loudspeaker may be wired with inverse polarity. In every case the root mean square of a sum is no more than
the sum of the root mean squares (Minkowski's inequality, also for fourth powers and under the time weighting F), and a
peak no more than the sum of the peaks. A cap counts these sums. The most likely reading of a meter is the larger of the
sum in phase and the sum of energies.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from residue.dsp import exact
from residue.loudness.caps.ears import Ear
from residue.loudness.caps.instants import InstantCap
from residue.loudness.meters.hops import HOP_FRAMES, HOP_RATE_HZ, HOP_S, Weighted, WeightingBank, magnitudes
from residue.loudness.meters.time_weighting import TIME_CONSTANT_S
from residue.loudness.meters.true_peak import REACH, SUM_OF_MAGNITUDES, highest_between
from residue.loudness.meters.weightings import Weighting

Floats = NDArray[np.float64]
Strength = tuple[Weighting, int]
"""A weighting, and the power of the signal that counts."""
GrainPowers = Mapping[Strength, Floats]
"""(outputs, GRAINS_PER_HOP): sums of powers over each grain of a hop."""

GRAIN_FRAMES = 24
"""The resolution in time within a hop: half a millisecond."""
GRAINS_PER_HOP = HOP_FRAMES // GRAIN_FRAMES
_GRAIN_S = GRAIN_FRAMES / HOP_RATE_HZ
_FAST_SHARE = _GRAIN_S / TIME_CONSTANT_S["F"]
"""The share that a grain adds under the time weighting F. The decay within the grain is left out: 0.02 dB too much."""
_FALL = np.array([exact.exp(-_FAST_SHARE * count) for count in range(1, GRAINS_PER_HOP + 1)])
"""(GRAINS_PER_HOP,): the share of a power that is left after so many grains."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Underway:
    """Sound that was sent and may still be on its way to a listener."""

    grains: GrainPowers
    """(outputs, grains) for each strength, the latest grain last."""
    peaks: Floats
    """(outputs, hops)"""
    fast: Floats
    """(outputs, grains): the highest power under A and F in each grain."""
    needle: Floats
    """(outputs,): that power at the end of the last hop."""
    tail: Floats
    """(outputs, REACH): the last frames under C."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Heard:
    """One hop as some ears receive it, in the unit of each ear: (ears,) each."""

    energy: Floats
    """The sum of squares over the frames; of a dose of vibration, of fourth powers."""
    peak: Floats
    """The highest magnitude at C-weighted ears, else 0, as no rule asks for others. It is found between the samples too
    where that may matter to a cap.
    """
    fast: Floats
    """The highest power with time weighting F, at A-weighted ears of caps; else 0."""
    memory: Underway


def silence(outputs: int) -> Underway:
    """The memory of a stream before its first hop."""
    nothing = np.zeros((outputs, 0))
    return Underway(grains={}, peaks=nothing, fast=nothing, needle=np.zeros(outputs), tail=np.zeros((outputs, REACH)))


def coherent(ear: Ear, weighted: Floats) -> Floats:
    """Sound at an ear when all outputs add up in phase: (frames,)."""
    arriving: Floats = ear.gains[0] * weighted[0]
    for gain, signal in zip(ear.gains[1:], weighted[1:], strict=True):
        arriving += gain * signal
    return arriving


def powers(signals: Floats, power: int) -> Floats:
    """Each sample raised to the power of 2 or 4."""
    squares: Floats = signals * signals
    return squares * squares if power == 4 else squares


def in_grains(values: Floats) -> Floats:
    """(outputs, HOP_FRAMES) summed to (outputs, GRAINS_PER_HOP)."""
    sums: Floats = np.add.reduce(values.reshape(len(values), GRAINS_PER_HOP, GRAIN_FRAMES), axis=2)
    return sums


class Listener:
    """Computes the levels of a hop at several ears."""

    def __init__(
        self, ears: Sequence[Ear], instants: Sequence[InstantCap] = (), heeded: Collection[int] | None = None
    ) -> None:
        """instants: caps of these ears that hold at every moment. heeded: the ears that count, if not all do."""
        counted = [(at, ear) for at, ear in enumerate(ears) if heeded is None or at in heeded]
        at_most = [(at, ear, np.array(ear.gains)) for at, ear in counted if ear.spread_s is not None]
        self._count = len(ears)
        self._single = [(at, ear, only, ear.gains[only]) for at, ear in counted if (only := ear.only) is not None]
        self._several = [(at, ear, gains) for at, ear, gains in at_most if ear.only is None]
        self._likely = [(at, ear) for at, ear in counted if ear.spread_s is None and ear.only is None]
        self._fast = [(at, ear, gains) for at, ear, gains in at_most if ear.weighting is Weighting.A]
        self._peak_bounds = [(np.array(ears[one.ear].gains), one.bound) for one in instants if one.of_peak]
        self.strengths = tuple(dict.fromkeys((ear.weighting, ear.power) for _, ear in counted))
        """Every pair of weighting and power that is counted."""
        spread_s = max((ear.spread_s or 0.0 for _, ear, _ in at_most), default=0.0)
        self._late_grains = max(1, int(np.ceil(spread_s / _GRAIN_S - 1e-9)))
        self._late_hops = int(np.ceil(spread_s / HOP_S - 1e-9))

    def __call__(self, weighted: Weighted, before: Underway) -> Heard:
        """One hop at the ears. weighted: (outputs, HOP_FRAMES) for each weighting, C among them."""
        grains = {
            (weighting, power): in_grains(powers(weighted[weighting], power)) for weighting, power in self.strengths
        }
        c_weighted = np.concatenate((before.tail, weighted[Weighting.C]), axis=1)
        peaks = self.peaks(c_weighted, before)
        heard = self.at_most(grains, peaks, c_weighted[:, -REACH:], before)
        for at, ear in self._likely:
            arriving, gains = coherent(ear, weighted[ear.weighting]), np.array(ear.gains)
            apart = np.add.reduce(gains * gains * np.add.reduce(grains[ear.weighting, 2], axis=1))
            heard.energy[at] = max(float(np.add.reduce(arriving * arriving)), float(apart))
            if ear.weighting is Weighting.C:
                heard.peak[at] = max(float(magnitudes(arriving)), float(np.max(gains * peaks)))
        return heard

    def peaks(self, c_weighted: Floats, before: Underway) -> Floats:
        """(outputs,): the highest magnitudes, between the samples too where that may matter to a cap.

        c_weighted: (outputs, REACH + frames).
        """
        samples = magnitudes(c_weighted[:, -HOP_FRAMES:])
        highest = SUM_OF_MAGNITUDES * magnitudes(c_weighted)
        if before.peaks.size:
            highest = np.maximum(highest, np.max(before.peaks, axis=1))
        if all(np.add.reduce(gains * highest) <= bound for gains, bound in self._peak_bounds):
            return samples
        return highest_between(c_weighted)

    def at_most(self, grains: GrainPowers, peaks: Floats, tail: Floats, before: Underway) -> Heard:
        """The most that the ears of caps can receive, and the level from one output.

        grains: for all `strengths`; peaks: (outputs,), under C.
        """
        energy, peak, fast = (np.zeros(self._count) for _ in range(3))
        before = self._fitted(before)
        late = {strength: np.concatenate((before.grains[strength], now), axis=1) for strength, now in grains.items()}
        most = {strength: _fullest_window(both) for strength, both in late.items()}
        peaks_late = np.concatenate((before.peaks, peaks[:, np.newaxis]), axis=1)
        for at, ear, only, gain in self._single:
            energy[at] = _raised(gain, ear.power) * np.add.reduce(grains[ear.weighting, ear.power][only])
            if ear.weighting is Weighting.C:
                peak[at] = gain * peaks[only]
        for at, ear, gains in self._several:
            energy[at] = _raised(np.add.reduce(gains * _root(most[ear.weighting, ear.power], ear.power)), ear.power)
            if ear.weighting is Weighting.C:
                peak[at] = np.add.reduce(gains * np.max(peaks_late, axis=1))
        needle, highest = before.needle, before.fast
        if (Weighting.A, 2) in grains:
            needle, highest = self._moved(grains[Weighting.A, 2], before)
        for at, ear, gains in self._fast:
            here = highest if ear.only is None else highest[:, -GRAINS_PER_HOP:]
            fast[at] = _raised(np.add.reduce(gains * np.sqrt(np.max(here, axis=1))), 2)
        memory = Underway(
            grains={strength: both[:, -self._late_grains :] for strength, both in late.items()},
            peaks=peaks_late[:, peaks_late.shape[1] - self._late_hops :],
            fast=highest[:, -self._late_grains :],
            needle=needle,
            tail=tail,
        )
        return Heard(energy=energy, peak=peak, fast=fast, memory=memory)

    def _fitted(self, memory: Underway) -> Underway:
        """The memory of a stream at other ears, in the form for these; whatever those ears did not count is missing."""
        if memory.grains.keys() >= set(self.strengths) and memory.fast.shape[1] == self._late_grains:
            return memory
        nothing = np.zeros((len(memory.needle), 0))
        return Underway(
            grains={one: _latest(memory.grains.get(one, nothing), self._late_grains) for one in self.strengths},
            peaks=_latest(memory.peaks, self._late_hops),
            fast=_latest(memory.fast, self._late_grains),
            needle=memory.needle,
            tail=memory.tail,
        )

    def _moved(self, energies: Floats, before: Underway) -> tuple[Floats, Floats]:
        """The powers under F at the end of the hop, and the highest power in each grain with the grains before it."""
        added = energies * (_FAST_SHARE / GRAIN_FRAMES)
        at_ends = _FALL * (before.needle[:, np.newaxis] + np.cumsum(added / _FALL, axis=1))
        at_starts = np.concatenate((before.needle[:, np.newaxis], at_ends[:, :-1]), axis=1)
        return at_ends[:, -1], np.concatenate((before.fast, at_starts + added), axis=1)


def _fullest_window(grains: Floats) -> Floats:
    """The most energy of each output that may arrive within a hop, (outputs,).

    grains: (outputs, late + GRAINS_PER_HOP). A window that begins within a grain touches one more grain than its
    length.
    """
    running = np.add.accumulate(np.concatenate((np.zeros((len(grains), 1)), grains), axis=1), axis=1)
    windows = running[:, GRAINS_PER_HOP + 1 :] - running[:, : -GRAINS_PER_HOP - 1]
    fullest: Floats = np.maximum(0.0, np.maximum.reduce(windows, axis=1))
    return fullest


def _latest(rows: Floats, count: int) -> Floats:
    """The last `count` values of each row, with silence before the first."""
    return np.pad(rows, ((0, 0), (count, 0)))[:, rows.shape[1] :]


def _root(values: Floats, power: int) -> Floats:
    roots: Floats = np.sqrt(values)
    return np.sqrt(roots) if power == 4 else roots


def _raised(value: float, power: int) -> float:
    square = float(value) * float(value)
    return square * square if power == 4 else square


class Hearing:
    """The state of a stream of hops at the ears: that of the weightings, and the sound that may still be on its way."""

    def __init__(self, weightings: Iterable[Weighting], outputs: int) -> None:
        self._bank = WeightingBank({Weighting.C, *weightings}, outputs)
        self.memory = silence(outputs)

    def __call__(self, hop: Floats, listen: Listener) -> tuple[Weighted, Heard]:
        """Takes a hop, (outputs, HOP_FRAMES), and gives the levels at the ears."""
        weighted = self.weigh(hop)
        heard = listen(weighted, self.memory)
        self.memory = heard.memory
        return weighted, heard

    def weigh(self, hop: Floats) -> Weighted:
        """Passes a hop through the weightings alone."""
        return self._bank(hop)

    def copy(self) -> Hearing:
        """A copy in the same state, independent of this one from here on."""
        twin = Hearing((), 0)
        twin._bank, twin.memory = self._bank.copy(), self.memory
        return twin


def arriving_squares(ear: Ear, signals: Floats) -> list[Floats]:
    """Two squares, (…, frames) each, of which the larger dose counts: the sum of squares, and the square of the sum."""
    alone = [gain * gain * (signal * signal) for gain, signal in zip(ear.gains, signals, strict=True) if gain]
    apart: Floats = np.add.reduce(alone) if alone else np.zeros(signals.shape[1:])
    if ear.only is not None:
        return [apart]
    arriving = coherent(ear, signals)
    return [apart, arriving * arriving]
