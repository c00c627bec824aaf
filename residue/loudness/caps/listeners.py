"""Computes the level of the outputs at every ear, hop by hop.

It is not known how the sounds of several outputs add up: ways differ from place to place, a delay moves one against the
other, and a loudspeaker may be wired with inverse polarity. In every case the root mean square of a sum is no more than
the sum of the root mean squares (Minkowski's inequality, also for fourth powers and under the time weighting F), and a
peak no more than the sum of the peaks. A cap counts these sums. The most likely reading of a meter is the larger of the
sum in phase and the sum of energies.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from residue.dsp import exact
from residue.dsp.kernel import levels_together, magnitudes, power_sums, weighted_sum
from residue.loudness.caps.ears import Ear
from residue.loudness.caps.instants import InstantCap
from residue.loudness.meters.hops import HOP_FRAMES, HOP_RATE_HZ, Weighted, WeightingBank
from residue.loudness.meters.time_weighting import TIME_CONSTANT_S
from residue.loudness.meters.true_peak import REACH, SUM_OF_MAGNITUDES, highest_between
from residue.loudness.meters.weightings import Weighting

Floats = NDArray[np.float64]
Strength = tuple[Weighting, int]
"""A weighting, and the power of the signal that counts."""
GrainPowers = Floats
"""(strengths, outputs, GRAINS_PER_HOP): sums of powers over each grain of a hop."""

GRAIN_FRAMES = 24
"""The resolution in time within a hop: half a millisecond."""
GRAINS_PER_HOP = HOP_FRAMES // GRAIN_FRAMES
_GRAIN_S = GRAIN_FRAMES / HOP_RATE_HZ
_FAST_SHARE = _GRAIN_S / TIME_CONSTANT_S["F"]
"""The share that a grain adds under the time weighting F. The decay within the grain is left out: 0.02 dB too much."""
QUIET_SHARE = 0.25
"""Where the peaks of several outputs can together reach no more than this share of a bound, they are not looked for
between the samples. A louder sound may meet them a moment later: then they count as the most that they can be.
"""
LONGEST_HOPS = 10
"""The most that is heard at once, counted in hops: the silence after an ending, in which G, Wk and Wd ring longest."""
_FALL = np.array([exact.exp(-_FAST_SHARE * count) for count in range(1, LONGEST_HOPS * GRAINS_PER_HOP + 1)])
"""(grains,): the share of a power that is left after so many grains."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Underway:
    """Sound that was sent and may still be on its way to a listener."""

    strengths: tuple[Strength, ...]
    grains: Floats
    """(strengths, outputs, grains): sums of powers before the present hop, the latest grain last."""
    grown: Floats
    """(strengths, outputs, grains): the same of the present hop; it has none if a whole hop was just sent."""
    peaks: Floats
    """(2, outputs, slices), as of Listener.peaks"""
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
    return Underway(
        strengths=(),
        grains=np.zeros((0, outputs, 0)),
        grown=np.zeros((0, outputs, 0)),
        peaks=np.zeros((2, outputs, 0)),
        fast=np.zeros((outputs, 0)),
        needle=np.zeros(outputs),
        tail=np.zeros((outputs, REACH)),
    )


def coherent(ear: Ear, weighted: Floats) -> Floats:
    """Sound at an ear when all outputs add up in phase: (frames,)."""
    return weighted_sum(np.array(ear.gains), weighted)


class Listener:
    """Computes the levels of a hop at several ears, at once or slice by slice.

    Of a slice the peak and the power under F are those of the slice, and the energy is that of its hop up to there.
    """

    def __init__(
        self,
        ears: Sequence[Ear],
        instants: Sequence[InstantCap] = (),
        heeded: Collection[int] | None = None,
        slice_frames: int = HOP_FRAMES,
    ) -> None:
        """instants: caps of these ears that hold at every moment. heeded: the ears that count, if not all do."""
        numbered = [(at, ear) for at, ear in enumerate(ears) if heeded is None or at in heeded]
        at_most = [ear for _, ear in numbered if ear.spread_s is not None]
        self.strengths = tuple(dict.fromkeys((ear.weighting, ear.power) for _, ear in numbered))
        """Every pair of weighting and power that is counted."""
        self._count = len(ears)
        self._single = _Single([(at, ear) for at, ear in numbered if ear.only is not None], self.strengths)
        self._several = _Several(
            [(at, ear) for at, ear in numbered if ear in at_most and ear.only is None], self.strengths
        )
        self._fast = _Several(
            [(at, ear) for at, ear in numbered if ear in at_most and ear.weighting is Weighting.A], self.strengths
        )
        self._likely = [
            (at, ear.weighting, gains := np.array(ear.gains), gains * gains, self.strengths.index((ear.weighting, 2)))
            for at, ear in numbered
            if ear.spread_s is None and ear.only is None
        ]
        self._peak_bounds = [
            (one.ear, ears[one.ear].only is None, np.array(ears[one.ear].gains), one.bound)
            for one in instants
            if one.of_peak
        ]
        """By cap: its ear, whether that hears several outputs, its gains, and the magnitude that is allowed."""
        self._a_weighted = self.strengths.index((Weighting.A, 2)) if (Weighting.A, 2) in self.strengths else None
        spread_s = max((ear.spread_s or 0.0 for ear in at_most), default=0.0)
        self._late_grains = grains_late(spread_s)
        self._late_slices = slices_late(spread_s, slice_frames)

    def __call__(self, weighted: Weighted, before: Underway) -> Heard:
        """One hop or slice at the ears. weighted: (outputs, frames) for each weighting, C among them."""
        c_weighted = weighted[Weighting.C]
        grains = np.empty((len(self.strengths), len(c_weighted), c_weighted.shape[1] // GRAIN_FRAMES))
        for number, (weighting, power) in enumerate(self.strengths):
            grains[number] = power_sums(weighted[weighting], GRAIN_FRAMES, power)
        peaks = self.peaks(before.tail, c_weighted, before)
        heard = self.at_most(grains, peaks, c_weighted[:, -REACH:].copy(), before)
        if self._likely:
            self._most_likely(weighted, peaks[0], np.add.reduce(grains, axis=2), heard)
        return heard

    def _most_likely(self, weighted: Weighted, peaks: Floats, totals: Floats, heard: Heard) -> None:
        """What people are told of several outputs. totals: (strengths, outputs), of the hop."""
        for at, weighting, gains, powers, strength in self._likely:
            energy, highest = levels_together(gains, weighted[weighting])
            heard.energy[at] = max(energy, float(np.add.reduce(powers * totals[strength])))
            if weighting is Weighting.C:
                heard.peak[at] = max(highest, float((gains * peaks).max()))

    def peaks(self, tail: Floats, c_weighted: Floats, before: Underway) -> Floats:
        """(2, outputs): the highest magnitudes, and what they are not above between the samples.

        Both are the true peaks where that may matter to a cap, now or together with what arrives at once from another
        output. c_weighted: (outputs, frames). tail: (outputs, REACH), the frames before it.
        """
        samples = magnitudes(c_weighted)
        if not self._peak_bounds:
            return np.array((samples, samples))
        most = SUM_OF_MAGNITUDES * np.maximum(magnitudes(tail), samples)
        highest = np.maximum(most, np.maximum.reduce(before.peaks[1], axis=1)) if before.peaks.size else most
        if all(
            np.add.reduce(gains * highest) <= bound * (QUIET_SHARE if several else 1.0)
            for _, several, gains, bound in self._peak_bounds
        ):
            return np.array((samples, most))
        found = highest_between(np.concatenate((tail, c_weighted), axis=1))
        return np.array((found, found))

    def at_most(self, grains: GrainPowers, peaks: Floats, tail: Floats, before: Underway) -> Heard:
        """The most that the ears of caps can receive, and the level from one output.

        grains: for all `strengths`; peaks: (2, outputs), as of `peaks`, under C.
        """
        energy, peak, fast = np.zeros((3, self._count))
        before = self.fitted(before)
        grown = np.concatenate((before.grown, grains), axis=2) if before.grown.size else grains
        late = np.concatenate((before.grains, grown), axis=2)
        peaks_late = np.concatenate((before.peaks, peaks[..., np.newaxis]), axis=2)
        self._single.energies(np.add.reduce(grown, axis=2), energy)
        self._single.peaks(peaks[0], peak)
        if len(self._several.at):
            self._several.energies(fullest_window(late, grown.shape[2]), energy)
            highest_late = np.maximum.reduce(peaks_late, axis=2)
            self._several.peaks(highest_late[0], peak)
            for at, several, gains, bound in self._peak_bounds:
                if several and (most := float(np.add.reduce(gains * highest_late[1]))) > bound:
                    peak[at] = most
        needle, highest = before.needle, before.fast
        if self._a_weighted is not None:
            needle, highest = self._moved(grains[self._a_weighted], before)
        if len(self._fast.at):
            now = np.maximum.reduce(highest[:, -grains.shape[2] :], axis=1)
            self._fast.powers(late=np.maximum.reduce(highest, axis=1), now=now, into=fast)
        whole = grown.shape[2] >= GRAINS_PER_HOP
        memory = Underway(
            strengths=self.strengths,
            grains=late[:, :, -self._late_grains :] if whole else before.grains,
            grown=grown[:, :, :0] if whole else grown,
            peaks=peaks_late[..., peaks_late.shape[2] - self._late_slices :],
            fast=highest[:, -self._late_grains :],
            needle=needle,
            tail=tail,
        )
        return Heard(energy=energy, peak=peak, fast=fast, memory=memory)

    def fitted(self, memory: Underway) -> Underway:
        """The memory of a stream at other ears, in the form for these; whatever those ears did not count is missing."""
        if memory.strengths == self.strengths and memory.fast.shape[1] == self._late_grains:
            return memory
        nothing = np.zeros((len(memory.needle), 0))
        known = dict(zip(memory.strengths, memory.grains, strict=True))
        grown_then = dict(zip(memory.strengths, memory.grown, strict=True))
        grains = np.zeros((len(self.strengths), len(nothing), self._late_grains))
        grown = np.zeros((len(self.strengths), *memory.grown.shape[1:]))
        for number, one in enumerate(self.strengths):
            grains[number] = _latest(known.get(one, nothing), self._late_grains)
            grown[number] = grown_then.get(one, 0.0)
        return Underway(
            strengths=self.strengths,
            grains=grains,
            grown=grown,
            peaks=np.array([_latest(rows, self._late_slices) for rows in memory.peaks]),
            fast=_latest(memory.fast, self._late_grains),
            needle=memory.needle,
            tail=memory.tail,
        )

    @staticmethod
    def _moved(energies: Floats, before: Underway) -> tuple[Floats, Floats]:
        """The powers under F at the end, and the highest power in each grain with the grains before it."""
        at_end, highest = fast_powers(energies, before.needle)
        return at_end, np.concatenate((before.fast, highest), axis=1)


class _Single:
    """Ears that hear one output each, all at once."""

    def __init__(self, ears: Sequence[tuple[int, Ear]], strengths: Sequence[Strength]) -> None:
        heard = [(at, ear, only, ear.gains[only]) for at, ear in ears if (only := ear.only) is not None]
        self._at = np.array([at for at, *_ in heard], dtype=np.intp)
        self._strength = np.array([strengths.index((ear.weighting, ear.power)) for _, ear, *_ in heard], dtype=np.intp)
        self._only = np.array([only for *_, only, _ in heard], dtype=np.intp)
        self._factors = np.array([raised(gain, ear.power) for _, ear, _, gain in heard])
        under_c = [(at, only, gain) for at, ear, only, gain in heard if ear.weighting is Weighting.C]
        self._c_at, self._c_only = (np.array([one[n] for one in under_c], dtype=np.intp) for n in (0, 1))
        self._c_gains = np.array([gain for *_, gain in under_c])

    def energies(self, totals: Floats, into: Floats) -> None:
        """totals: (strengths, outputs), of the hop."""
        into[self._at] = self._factors * totals[self._strength, self._only]

    def peaks(self, peaks: Floats, into: Floats) -> None:
        """peaks: (outputs,), under C."""
        into[self._c_at] = self._c_gains * peaks[self._c_only]


class _Several:
    """Ears of caps that hear several outputs each, or may, all at once."""

    def __init__(self, ears: Sequence[tuple[int, Ear]], strengths: Sequence[Strength]) -> None:
        self.at = np.array([at for at, _ in ears], dtype=np.intp)
        self._strength = np.array([strengths.index((ear.weighting, ear.power)) for _, ear in ears], dtype=np.intp)
        self._gains = np.array([ear.gains for _, ear in ears])
        self._fourth = np.array([ear.power == 4 for _, ear in ears], dtype=np.bool_)
        self._one = np.array([ear.only is not None for _, ear in ears], dtype=np.bool_)[:, np.newaxis]
        c_weighted = [at for at, (_, ear) in enumerate(ears) if ear.weighting is Weighting.C]
        self._c_at, self._c_gains = self.at[c_weighted], self._gains[c_weighted]

    def energies(self, most: Floats, into: Floats) -> None:
        """most: (strengths, outputs), the most that may arrive within a hop."""
        roots = np.sqrt(most)[self._strength]
        if self._fourth.any():
            roots[self._fourth] = np.sqrt(roots[self._fourth])
        sums = np.add.reduce(self._gains * roots, axis=1)
        squares = sums * sums
        into[self.at] = np.where(self._fourth, squares * squares, squares)

    def peaks(self, highest: Floats, into: Floats) -> None:
        """highest: (outputs,), the highest that may arrive, under C."""
        into[self._c_at] = np.add.reduce(self._c_gains * highest, axis=1)

    def powers(self, *, late: Floats, now: Floats, into: Floats) -> None:
        """late, now: (outputs,), the highest powers under F with what is late, and without."""
        sums = np.add.reduce(self._gains * np.where(self._one, np.sqrt(now), np.sqrt(late)), axis=1)
        into[self.at] = sums * sums


def fullest_window(grains: Floats, length: int) -> Floats:
    """The most energy that may arrive within a hop, or within the part of it that is known, (…).

    grains: (…, late + length). A window that begins within a grain touches one more grain than its length.
    """
    running = np.cumsum(np.concatenate((np.zeros((*grains.shape[:-1], 1)), grains), axis=-1), axis=-1)
    windows = running[..., length + 1 :] - running[..., : -length - 1]
    fullest: Floats = np.maximum(0.0, np.maximum.reduce(windows, axis=-1))
    return fullest


def fast_powers(energies: Floats, needle: Floats) -> tuple[Floats, Floats]:
    """The powers under F at the end, (…), and the highest in each grain, (…, grains).

    energies: (…, grains), at most of LONGEST_HOPS. needle: (…), the power before them.
    """
    added, fall = energies * (_FAST_SHARE / GRAIN_FRAMES), _FALL[: energies.shape[-1]]
    at_ends = fall * (needle[..., np.newaxis] + np.cumsum(added / fall, axis=-1))
    at_starts = np.concatenate((needle[..., np.newaxis], at_ends[..., :-1]), axis=-1)
    return at_ends[..., -1], at_starts + added


def energy_at_most(gains: Floats, most: Floats, power: int) -> Floats:
    """(hops,): the most that an ear of caps hears of all outputs.

    gains: (outputs, 1). most: (outputs, hops), the most of each that may arrive; power: as of the ear.
    """
    roots = np.sqrt(most) if power == 2 else np.sqrt(np.sqrt(most))
    sums = np.add.reduce(gains * roots)
    squares: Floats = sums * sums
    return squares if power == 2 else squares * squares


def grains_late(spread_s: float) -> int:
    """The grains within which sounds that leave the outputs at once arrive."""
    return max(1, int(np.ceil(spread_s / _GRAIN_S - 1e-9)))


def slices_late(spread_s: float, slice_frames: int) -> int:
    """The same in slices."""
    return int(np.ceil(spread_s / (slice_frames / HOP_RATE_HZ) - 1e-9))


def _latest(rows: Floats, count: int) -> Floats:
    """The last `count` values of each row, with silence before the first."""
    return np.pad(rows, ((0, 0), (count, 0)))[:, rows.shape[1] :]


def raised(value: float, power: int) -> float:
    """The second or fourth power."""
    square = float(value) * float(value)
    return square * square if power == 4 else square


class Hearing:
    """The state of a stream of hops at the ears: that of the weightings, and the sound that may still be on its way."""

    def __init__(self, weightings: Iterable[Weighting], outputs: int) -> None:
        self._bank = WeightingBank({Weighting.C, *weightings}, outputs)
        self.memory = silence(outputs)

    def __call__(self, hop: Floats, listen: Listener) -> tuple[Weighted, Heard]:
        """Takes a hop or slice, (outputs, frames), and gives the levels at the ears."""
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
