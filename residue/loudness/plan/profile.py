"""The levels of a whole performance in a room, known before it plays."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from residue.dsp import exact
from residue.loudness.caps.caps import Cap, protecting_caps
from residue.loudness.caps.ears import Ear, ear_of, planned_ears, spread_s
from residue.loudness.caps.instants import InstantCap, instant_cap
from residue.loudness.caps.listeners import QUIET_SHARE, energy_at_most, raised, slices_late
from residue.loudness.meters.hops import HOP_FRAMES, HOP_S
from residue.loudness.meters.weightings import Weighting
from residue.loudness.outputs.outputs import Output
from residue.loudness.plan.output_levels import PAIRED, STRENGTHS, Measuring, OutputLevels

Floats = NDArray[np.float64]
_Bounds = Sequence[tuple[bool, Floats, float]]
"""By cap on a peak: whether its ear hears several outputs, its gains, and the magnitude that is allowed."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LevelProfile:
    """The levels of a performance at full gain, hop by hop, as the governor counts them."""

    ears: tuple[Ear, ...]
    energy: Floats
    """(ears, hops): the energy of each hop as in Heard, in the unit of the ear; the next two are in this unit too."""
    peak: Floats
    """At the ears of caps; 0 at those of people."""
    fast: Floats
    ending_peak: Floats
    """(ears, hops): the peak of each hop if it fades out as the last one, or that of the silence after it if higher."""
    ending_fast: Floats
    """(ears, hops): the same for the power under F."""
    true_peak: Floats
    """(outputs,): the highest true peak of each output, full scale = 1."""
    onset_energy: Floats
    """(outputs, hops): the sum of squares of each output over each hop, at the input of the bound on the first rise."""

    mapping_energy: Floats
    """(outputs, hops): the sum of squares as the mapping gives it, without trim and band; with the delay of the
    output.
    """

    @property
    def hops(self) -> int:
        """The length of the performance, in hops."""
        return int(self.energy.shape[1])

    @property
    def duration_s(self) -> float:
        """Its length in seconds."""
        return self.hops * HOP_S

    def row(self, key: str) -> int:
        """The row of an ear. Raises KeyError if the profile was made without it."""
        for index, ear in enumerate(self.ears):
            if ear.key == key:
                return index
        raise KeyError(key)


def profile(blocks: Iterable[Floats], outputs: Mapping[str, Output], caps: Sequence[Cap]) -> LevelProfile:
    """The level profile of a performance, from its blocks before the cap, (outputs, frames)."""
    measuring = Measuring(outputs)
    for block in blocks:
        measuring.take(block)
    return profile_of(measuring.finished(), outputs, caps)


def profile_of(levels: OutputLevels, outputs: Mapping[str, Output], caps: Sequence[Cap]) -> LevelProfile:
    """The level profile in a room, from the levels of its outputs: as if all of them were heard hop by hop again."""
    every_cap = (*caps, *protecting_caps(outputs))
    ears = planned_ears(outputs, every_cap)
    trims = np.array([[exact.gain_from_db(output.trim_db)] for output in outputs.values()])
    row = {ear.key: index for index, ear in enumerate(ears)}
    instants = [instant_cap(cap, row[ear_of(cap, outputs).key]) for cap in every_cap if not cap.quantity.windowed]
    late = slices_late(spread_s(outputs), HOP_FRAMES)
    of_peak = [one for one in instants if one.of_peak]
    bounds = [(ears[one.ear].only is None, _column(ears[one.ear]), one.bound) for one in of_peak]
    heard, faded, after = _peak_rows(levels.peaks * trims, bounds, late)
    peak, fading_peak, silent_peak = (_peak(ears, of_peak, rows) for rows in (heard, faded, after))
    squares = trims * trims
    fast, fading_fast, silent_fast = (_fast(ears, one) for one in levels.fast * squares)
    return LevelProfile(
        ears=ears,
        energy=np.array([_energy(ear, levels, trims) for ear in ears]),
        peak=peak,
        fast=fast,
        ending_peak=np.maximum(fading_peak, _hop_before(silent_peak)),
        ending_fast=np.maximum(fading_fast, _hop_before(silent_fast)),
        true_peak=levels.true_peak * trims[:, 0],
        onset_energy=levels.onset_energy * squares,
        mapping_energy=levels.mapping_energy,
    )


def _hop_before(values: Floats) -> Floats:
    """Each value moved to the hop before, as the silence after a hop belongs to it."""
    return np.pad(values[:, 1:], ((0, 0), (0, 1)))


def _energy(ear: Ear, levels: OutputLevels, trims: Floats) -> Floats:
    """(hops,): the energy at an ear."""
    strength, gains = STRENGTHS.index((ear.weighting, ear.power)), np.array(ear.gains)[:, np.newaxis] * trims
    if ear.only is not None:
        alone: Floats = raised(float(gains[ear.only, 0]), ear.power) * levels.energy[strength, ear.only]
        return alone
    if ear.spread_s is not None:
        return energy_at_most(gains, levels.fullest[strength], ear.power)
    apart: Floats = np.add.reduce(gains * gains * levels.energy[strength])
    pairs = levels.together[PAIRED.index(ear.weighting)]
    if not len(pairs):
        return apart
    one, other = np.triu_indices(len(gains), 1)
    crossed = np.add.reduce(gains[one] * gains[other] * pairs)
    likely: Floats = apart + np.maximum(0.0, 2.0 * crossed)
    return likely


def _fast(ears: Sequence[Ear], powers: Floats) -> Floats:
    """(ears, hops); powers: (2, outputs, hops), that which may arrive, and that of the hop."""
    fast = np.zeros((len(ears), powers.shape[2]))
    for at, ear in enumerate(ears):
        if ear.spread_s is not None and ear.weighting is Weighting.A:
            fast[at] = energy_at_most(_column(ear), powers[0] if ear.only is None else powers[1], 2)
    return fast


def _column(ear: Ear) -> Floats:
    """(outputs, 1): the gains of an ear."""
    return np.array(ear.gains)[:, np.newaxis]


def _peak_rows(peaks: Floats, bounds: _Bounds, late: int) -> tuple[tuple[Floats, Floats], ...]:
    """For each hop, its fade and the silence after the hop before: its own peaks, and the most with what is late.

    Both are (2, outputs, hops), as Listener.peaks gives them. peaks: (3, 3, outputs, hops).
    """
    heard = _settled(peaks[0], bounds, late)
    heard_late = _late(heard, late)
    faded = _looked_for(peaks[1], heard_late, bounds)
    faded_late = np.maximum(_late(faded, 1), _late(np.pad(heard, ((0, 0), (0, 0), (1, 0)))[..., :-1], late - 1))
    after = _looked_for(peaks[2], faded_late, bounds)
    return tuple(
        (own, np.maximum(own, before))
        for own, before in ((heard, heard_late), (faded, heard_late), (after, faded_late))
    )


def _late(rows: Floats, hops: int) -> Floats:
    """The highest of so many hops before each hop, along the last axis."""
    before = np.zeros_like(rows)
    for late in range(1, hops + 1):
        before[..., late:] = np.maximum(before[..., late:], rows[..., :-late])
    return before


def _settled(peaks: Floats, bounds: _Bounds, late: int) -> Floats:
    """The same where the hops before are those of the row itself: each round settles at least one hop more."""
    found = _looked_for(peaks, np.zeros((2, *peaks.shape[1:])), bounds)
    while True:
        again = _looked_for(peaks, _late(found, late), bounds)
        if np.array_equal(found, again):
            return again
        found = again


def _looked_for(peaks: Floats, before: Floats, bounds: _Bounds) -> Floats:
    """(2, outputs, hops): the true peaks of the hops in which they may matter to a cap, as Listener.peaks decides."""
    samples, most, between = peaks
    highest = np.maximum(most, before[1])
    loud = np.full(samples.shape[1], not bounds)
    for several, gains, bound in bounds:
        loud |= np.add.reduce(gains * highest) > bound * (QUIET_SHARE if several else 1.0)
    return np.array([np.where(loud, between, samples), np.where(loud, between, most)])


def _peak(ears: Sequence[Ear], caps: Sequence[InstantCap], rows: tuple[Floats, Floats]) -> Floats:
    """(ears, hops); caps: those on a peak; rows: (2, outputs, hops) twice, of the hop and with what is late."""
    (own, _), (highest, most) = rows
    peak = np.zeros((len(ears), own.shape[1]))
    for at, ear in enumerate(ears):
        if ear.weighting is Weighting.C and ear.spread_s is not None:
            only = ear.only
            peak[at] = np.add.reduce(_column(ear) * highest) if only is None else ear.gains[only] * own[only]
    for one in caps:
        if ears[one.ear].only is None:
            at_most = np.add.reduce(_column(ears[one.ear]) * most)
            peak[one.ear] = np.where(at_most > one.bound, at_most, peak[one.ear])
    return peak
