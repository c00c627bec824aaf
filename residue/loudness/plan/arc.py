"""The arc of a piece under its caps: one gain for the whole piece, or louder minutes lowered more than quieter ones.

`arc = "whole"` in piece.toml means one gain throughout; it is the default and keeps the artist's contrast. `arc =
"shaped"` lets the gain move, no faster than SLOPE_DB_PER_MINUTE, and never so that the quieter of two minutes becomes
the louder one. It costs contrast, and the plan says how much.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from math import ceil

import numpy as np
from numpy.typing import NDArray

from residue.dsp import exact
from residue.loudness.caps.caps import Cap
from residue.loudness.caps.ears import LEAST_SPREAD_S, ear_of
from residue.loudness.meters.hops import HOP_FRAMES, HOP_S
from residue.loudness.outputs.outputs import Output
from residue.loudness.plan.order import Order
from residue.loudness.plan.plan import Lowering, Plan, ProfileSequence, plan, plan_order
from residue.loudness.plan.profile import LevelProfile

Floats = NDArray[np.float64]

SLOPE_DB_PER_MINUTE = 3.0
"""So slow that nobody hears a change: our own judgement."""
RATIO = 2.0
"""Above the threshold, two decibels become one."""
_MINUTE_HOPS = round(60.0 / HOP_S)
_LATEST_HOPS = 6
"""The most by which a sound comes later than its gain: delay_ms, the limiter, and LEAST_SPREAD_S on the way."""
_SILENT_DB = -120.0
_SEARCH_STEPS = 24


@dataclass(frozen=True, slots=True)
class GainCurve:
    """A gain that moves in straight lines, in dB, between the middles of the minutes."""

    knots_db: tuple[float, ...]
    """One value a minute, none above 0; without any, the gain is 1."""

    def boundary_gains(self, first: int, hops: int) -> Floats:
        """(hops + 1,): amplitude factors at the boundaries of hops; between these the factor is a straight line."""
        return exact.gains_from_db(self.levels_db(first + np.arange(hops + 1.0)))

    def levels_db(self, hops: Floats) -> Floats:
        """The gain in dB at some moments, counted in hops."""
        knots_db = self.knots_db or (0.0,)
        middles = (np.arange(len(knots_db)) + 0.5) * _MINUTE_HOPS
        levels: Floats = np.interp(hops, middles, knots_db)
        return levels

    def gains(self, start: int, frames: int) -> Floats:
        """(frames,): the factor for each frame of a performance from frame `start` on."""
        at = np.arange(start, start + frames)
        first = start // HOP_FRAMES
        hop = at // HOP_FRAMES - first
        boundaries = self.boundary_gains(first, int(hop[-1]) + 1 if frames else 0)
        share = (at - (hop + first) * HOP_FRAMES) / HOP_FRAMES
        gains: Floats = boundaries[hop] + (boundaries[hop + 1] - boundaries[hop]) * share
        return gains


def minute_levels_db(profile: LevelProfile, key: str) -> Floats:
    """(minutes,): the mean level of each minute at an ear; the last minute may be shorter.

    For a dose of vibration it is the steady level with the same dose.
    """
    row = profile.row(key)
    energy, power = profile.energy[row], profile.ears[row].power
    minutes = np.array_split(energy, range(_MINUTE_HOPS, len(energy), _MINUTE_HOPS))
    means: Floats = np.array([np.add.reduce(minute) / len(minute) / HOP_FRAMES for minute in minutes])
    levels_db: Floats = np.maximum(20.0 / power * np.log10(np.maximum(means, 1e-30)), _SILENT_DB)
    return levels_db


def lowered_above(levels_db: Floats, threshold_db: float) -> Floats:
    """(minutes,): gains in dB that halve the level above a threshold, within the allowed slope."""
    wanted = np.minimum(0.0, (threshold_db - levels_db) * (1.0 - 1.0 / RATIO))
    minute = np.arange(len(levels_db))
    reach = wanted[np.newaxis] + SLOPE_DB_PER_MINUTE * np.abs(minute[:, np.newaxis] - minute[np.newaxis])
    lowest: Floats = np.min(reach, axis=1)
    return lowest


def keeps_order(levels_db: Floats, gains_db: Floats) -> bool:
    """Whether the quieter of any two minutes stays the quieter one."""
    ranked = (levels_db + gains_db)[np.argsort(levels_db, kind="stable")]
    return bool(np.all(np.diff(ranked) >= -1e-9))


def reshaped(profile: LevelProfile, shape: GainCurve) -> LevelProfile:
    """The level profile of a performance under a gain curve; never too low, for any delay of an output."""
    spread_s = max((ear.spread_s or 0.0 for ear in profile.ears), default=0.0)
    latest = _LATEST_HOPS + max(0, ceil((spread_s - LEAST_SPREAD_S) / HOP_S))
    boundaries = np.pad(shape.boundary_gains(0, profile.hops), (latest, 0), mode="edge")
    gains = np.max(np.lib.stride_tricks.sliding_window_view(boundaries, latest + 2), axis=1)
    highest = float(np.max(gains))
    squares, powers = gains * gains, np.array([[ear.power] for ear in profile.ears])
    scaled = np.where(powers == 4, squares * squares, squares)
    return replace(
        profile,
        energy=profile.energy * scaled,
        peak=profile.peak * gains,
        fast=profile.fast * squares,
        ending_peak=profile.ending_peak * gains,
        ending_fast=profile.ending_fast * squares,
        true_peak=profile.true_peak * highest,
    )


def under(profile: LevelProfile, lowering: Lowering, outputs: Mapping[str, Output]) -> LevelProfile:
    """The level profile of a performance under the further attenuation of a plan, without its one gain.

    Where outputs come together, it counts as if no output was lowered alone, so it is never too low.
    """
    shaped = reshaped(profile, GainCurve(lowering.knots_db)) if lowering.knots_db else profile
    if not lowering.alone_db:
        return shaped
    each = exact.gains_from_db(np.array([lowering.alone_db.get(name, 0.0) for name in outputs]))
    ears = np.array([[1.0 if ear.only is None else float(each[ear.only])] for ear in profile.ears])
    scaled = ears ** np.array([[ear.power] for ear in profile.ears])
    return replace(
        shaped,
        energy=shaped.energy * scaled,
        peak=shaped.peak * ears,
        fast=shaped.fast * (ears * ears),
        ending_peak=shaped.ending_peak * ears,
        ending_fast=shaped.ending_fast * (ears * ears),
        true_peak=shaped.true_peak * each,
        onset_energy=shaped.onset_energy * (each * each)[:, np.newaxis],
    )


def planned(
    profiles: Mapping[str, LevelProfile],
    order: Order,
    rest_s: float,
    caps: Sequence[Cap],
    outputs: Mapping[str, Output],
    arc: str,
) -> Plan:
    """The plan of performances in every possible order, with their arc "whole" or "shaped".

    rest_s: while the shape is computed, each performance counts as repeated after this rest.
    """
    if arc == "whole":
        return plan_order(profiles, order, caps, outputs)
    shapes = shape(list(profiles.items()), rest_s, caps, outputs)
    under = {name: reshaped(profile, shapes[name]) for name, profile in profiles.items()}
    found = plan_order(under, order, caps, outputs)
    return Plan(tuple(replace(one, knots_db=shapes[one.name].knots_db) for one in found.performances))


def shape(
    programme: ProfileSequence, rest_s: float, caps: Sequence[Cap], outputs: Mapping[str, Output]
) -> dict[str, GainCurve]:
    """The shape of each performance that lowers least, and that leaves the least for the plan to lower as a whole.

    The ear that decides between louder and quieter is that of the windowed cap that the performance alone comes nearest
    to. Plan the reshaped profiles afterwards: windows that span several performances are the task of the plan.
    """
    return {name: _shape_of(name, profile, rest_s, caps, outputs) for name, profile in programme}


def _shape_of(
    name: str, profile: LevelProfile, rest_s: float, caps: Sequence[Cap], outputs: Mapping[str, Output]
) -> GainCurve:
    approaches = plan([(name, profile)], rest_s, caps, outputs).of(name).nearest
    windowed = [approach for approach in approaches if approach.cap.quantity.windowed]
    if not windowed:
        return GainCurve((0.0,))
    decisive = min(windowed, key=lambda approach: approach.headroom_db).cap
    levels_db = minute_levels_db(profile, ear_of(decisive, outputs).key)
    low_db, high_db = float(np.min(levels_db)), float(np.max(levels_db))
    best = GainCurve((0.0,) * len(levels_db))
    for _ in range(_SEARCH_STEPS):
        threshold_db = (low_db + high_db) / 2.0
        gains_db = lowered_above(levels_db, threshold_db)
        if not keeps_order(levels_db, gains_db):
            low_db = threshold_db
            continue
        candidate = GainCurve(tuple(gains_db.tolist()))
        best = candidate
        if plan([(name, reshaped(profile, candidate))], rest_s, caps, outputs).gain_db(name) < 0.0:
            high_db = threshold_db
        else:
            low_db = threshold_db
    return best
