"""Levels of what the cap stage has sent, for people and for the log."""

from __future__ import annotations

from collections.abc import Mapping
from math import inf

import numpy as np
from numpy.typing import NDArray

from residue.dsp import exact
from residue.loudness.caps.caps import PLACE, Cap
from residue.loudness.caps.ears import calibrated
from residue.loudness.meters import gating
from residue.loudness.meters.hops import HOP_FRAMES, HOP_RATE_HZ, HOP_S, HOPS_A_SECOND
from residue.loudness.meters.levels import db_of_magnitude, db_of_power
from residue.loudness.meters.weightings import FELT, Weighting
from residue.loudness.outputs.outputs import Output
from residue.loudness.stage.governor import Governor
from residue.loudness.stage.hop_meter import HopMeter, felt_at
from residue.loudness.stage.readings import CapReading, Levels, Reading, Received, Tally

Floats = NDArray[np.float64]


class StageMeter:
    """Measures hop by hop the sound that the governor has sent, at the visitor's place and at each output."""

    def __init__(self, outputs: Mapping[str, Output], governor: Governor) -> None:
        self._governor, ears = governor, governor.ears
        self._places = (PLACE, *outputs)
        self._physical = calibrated(outputs)
        self._index = {
            (ear.at, ear.weighting): at
            for at, ear in enumerate(ears)
            if ear.spread_s is None and ear.physical == (self._physical or ear.weighting in FELT)
        }
        heard = ears[self._index[PLACE, Weighting.A]]
        self._meter = HopMeter(len(outputs), heard, felt_at(ears, self._places))
        self._whole = self._meter.loudness.whole()
        self._count = 0
        self._limiter_gain = 1.0
        self._muted = 0
        self._start_tally()

    def _start_tally(self) -> None:
        ears, places = self._governor.ears, len(self._places)
        self._kept = [at for at, ear in enumerate(ears) if ear.at == PLACE or at in self._governor.heeded]
        self._limits = tuple(budget.limit for budget in self._governor.budgets)
        self._hops = 0
        self._energy, self._peak = np.zeros(len(ears)), np.zeros(len(ears))
        self._highest = np.zeros((4, places))
        """The highest LAF, LAS, momentary and short-term loudness, as powers."""
        self._fourth = {weighting: np.zeros(places) for weighting in FELT}
        self._meter.true_peak.highest[:] = 0.0
        self._lowest_governor, self._lowest_limiter, self._muted_before = 1.0, 1.0, self._muted

    def count(self, limiter_gain: float, muted: int) -> None:
        """Adds the last hop that the governor has sent."""
        heard, meter = self._governor.heard, self._meter
        self._limiter_gain = limiter_gain
        self._muted += muted
        self._hops += 1
        self._energy += heard.energy
        np.maximum(self._peak, heard.peak, out=self._peak)
        meter(heard.weighted)
        for weighting, fourth in meter.fourth.items():
            self._fourth[weighting] += fourth
        self._lowest_governor = min(self._lowest_governor, self._governor.lowest_gain)
        self._lowest_limiter = min(self._lowest_limiter, limiter_gain)
        self._count += 1
        if self._count % HOPS_A_SECOND == 0:
            self._settle()
            self._whole = meter.loudness.whole()

    def _settle(self) -> None:
        meter = self._meter
        if meter.settle():
            loudness = meter.loudness
            found = (meter.fast_max, meter.slow_max, loudness.momentary_max, loudness.short_term_max)
            np.maximum(self._highest, found, out=self._highest)

    def listen_to_more(self) -> None:
        """Adds ears of the governor; their levels appear from the next tally on."""
        more = len(self._governor.ears) - len(self._energy)
        self._energy, self._peak = np.pad(self._energy, (0, more)), np.pad(self._peak, (0, more))

    def begin(self) -> None:
        """Begins another performance: integrated loudness and loudness range start again."""
        self._settle()
        self._meter.loudness.begin()
        self._whole = self._meter.loudness.whole()

    def _levels(self, place: int) -> Levels:
        heard, meter, at = self._governor.heard, self._meter, self._places[place]

        def level(weighting: Weighting) -> float:
            return db_of_power(float(heard.energy[self._index[at, weighting]]) / HOP_FRAMES)

        def acceleration(weighting: Weighting) -> float | None:
            return exact.gain_from_db(level(weighting)) if (at, weighting) in self._index else None

        momentary, short_term = (gating.lufs(float(means[place])) for means in meter.loudness.means)
        integrated, loudness_range = self._whole[place]
        return Levels(
            a=level(Weighting.A),
            c=level(Weighting.C),
            z=level(Weighting.Z),
            g=level(Weighting.G),
            c_peak=db_of_magnitude(float(heard.peak[self._index[at, Weighting.C]])),
            a_fast=db_of_power(float(meter.fast[place])),
            a_slow=db_of_power(float(meter.slow[place])),
            true_peak=self._true_peak_dbtp(place),
            momentary_lufs=momentary,
            short_term_lufs=short_term,
            integrated_lufs=integrated,
            loudness_range_lu=loudness_range,
            acceleration_ms2=acceleration(Weighting.WK),
            acceleration_horizontal_ms2=acceleration(Weighting.WD),
            physical=self._physical,
        )

    def _true_peak_dbtp(self, place: int) -> float:
        highest = self._meter.true_peak.highest
        return db_of_magnitude(float(np.max(highest) if place == 0 else highest[place - 1]))

    def reading(self) -> Reading:
        """The state after the last hop."""
        self._settle()
        governor = self._governor
        means = [_cap_reading(budget.cap, budget.level()) for budget in governor.budgets]
        heard = governor.heard
        highest = [_cap_reading(one.cap, one.level(heard.peak, heard.fast)) for one in governor.instants]
        place, *outputs = (self._levels(number) for number in range(len(self._places)))
        return Reading(
            place=place,
            outputs=dict(zip(self._places[1:], outputs, strict=True)),
            caps=(*means, *highest),
            governor_db=db_of_magnitude(governor.lowest_gain),
            limiter_db=db_of_magnitude(self._limiter_gain),
            muted_frames=self._muted,
            cut_hops=governor.cuts,
        )

    def _received(self, place: int) -> Received:
        at, frames = self._places[place], max(1, self._hops) * HOP_FRAMES

        def mean(weighting: Weighting) -> float:
            row = self._index.get((at, weighting))
            return -inf if row is None else db_of_power(float(self._energy[row]) / frames)

        def dose(weighting: Weighting) -> float:
            return float((self._fourth[weighting][place] / HOP_RATE_HZ) ** 0.25)

        fast, slow, momentary, short_term = self._highest[:, place]
        integrated, loudness_range = self._whole[place]
        return Received(
            laeq=mean(Weighting.A),
            lceq=mean(Weighting.C),
            lzeq=mean(Weighting.Z),
            lgeq=mean(Weighting.G),
            laf_max=db_of_power(float(fast)),
            las_max=db_of_power(float(slow)),
            lc_peak=db_of_magnitude(float(self._peak[self._index[at, Weighting.C]])),
            momentary_max_lufs=_lufs(float(momentary)),
            short_term_max_lufs=_lufs(float(short_term)),
            true_peak_dbtp=self._true_peak_dbtp(place),
            integrated_lufs=-inf if integrated is None else integrated,
            loudness_range_lu=loudness_range or 0.0,
            aw=mean(Weighting.WK),
            vdv=dose(Weighting.WK),
            aw_horizontal=mean(Weighting.WD),
            vdv_horizontal=dose(Weighting.WD),
        )

    def take_tally(self) -> Tally:
        """Returns the tally since the last call."""
        self._settle()
        ears, frames = self._governor.ears, max(1, self._hops) * HOP_FRAMES
        place, *outputs = (self._received(number) for number in range(len(self._places)))
        tally = Tally(
            duration_s=self._hops * HOP_S,
            place=place,
            outputs=dict(zip(self._places[1:], outputs, strict=True)),
            physical=self._physical,
            governor_db=db_of_magnitude(self._lowest_governor),
            limiter_db=db_of_magnitude(self._lowest_limiter),
            muted_frames=self._muted - self._muted_before,
            sent={ears[at].key: db_of_power(float(self._energy[at]) / frames) for at in self._kept},
            limits=self._limits,
        )
        self._start_tally()
        return tally


class NoMeter:
    """In the place of a StageMeter where nobody asks for a level, as in a render."""

    def count(self, limiter_gain: float, muted: int) -> None:
        """Counts nothing."""

    def listen_to_more(self) -> None:
        """Listens to nothing."""

    def begin(self) -> None:
        """Begins nothing."""

    def reading(self) -> Reading:
        """Raises TypeError."""
        raise TypeError("This cap stage was made without meters")

    def take_tally(self) -> Tally:
        """Raises TypeError."""
        raise TypeError("This cap stage was made without meters")


def _lufs(mean_square: float) -> float:
    level = gating.lufs(mean_square)
    return -inf if level is None else level


def _cap_reading(cap: Cap, level: float) -> CapReading:
    return CapReading(cap.name, level, cap.limit, cap.unit, margin_db=cap.margin_db)
