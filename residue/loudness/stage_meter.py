"""Levels of what the cap stage has sent, for people and for the log."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from residue.loudness.caps import PLACE
from residue.loudness.ears import calibrated
from residue.loudness.governor import Governor
from residue.loudness.hops import HOP_FRAMES, HOP_S
from residue.loudness.levels import db_of_magnitude, db_of_power
from residue.loudness.outputs import Output
from residue.loudness.readings import CapReading, Levels, Reading, Tally
from residue.loudness.weightings import Weighting


class StageMeter:
    """Counts hop by hop what the governor has sent."""

    def __init__(self, outputs: Mapping[str, Output], governor: Governor) -> None:
        self._outputs, self._governor = tuple(outputs), governor
        self._physical = calibrated(outputs)
        self._index = {
            (ear.at, ear.weighting): at for at, ear in enumerate(governor.ears) if ear.physical == self._physical
        }
        self._limiter_gain = 1.0
        self._muted = 0
        self._start_tally()

    def _start_tally(self) -> None:
        self._hops = 0
        self._energy = np.zeros(len(self._governor.ears))
        self._peak = np.zeros(len(self._governor.ears))
        self._lowest_governor, self._lowest_limiter, self._muted_before = 1.0, 1.0, self._muted

    def count(self, limiter_gain: float, muted: int) -> None:
        """Take in the hop that the governor has sent last."""
        heard = self._governor.heard
        self._limiter_gain = limiter_gain
        self._muted += muted
        self._hops += 1
        self._energy += heard.energy
        np.maximum(self._peak, heard.peak, out=self._peak)
        self._lowest_governor = min(self._lowest_governor, self._governor.gain)
        self._lowest_limiter = min(self._lowest_limiter, limiter_gain)

    def _levels(self, at: str) -> Levels:
        heard = self._governor.heard

        def level(weighting: Weighting) -> float:
            return db_of_power(float(heard.energy[self._index[at, weighting]]) / HOP_FRAMES)

        peak = db_of_magnitude(float(heard.peak[self._index[at, Weighting.C]]))
        return Levels(level(Weighting.A), level(Weighting.C), level(Weighting.Z), peak, self._physical)

    def reading(self) -> Reading:
        """The state after the hop counted last."""
        governor = self._governor
        means = [
            CapReading(budget.cap.name, budget.level(), budget.cap.limit, budget.cap.unit)
            for budget in governor.budgets
        ]
        heard = governor.heard
        highest = [
            CapReading(instant.cap.name, instant.level(heard.energy, heard.peak), instant.cap.limit, instant.cap.unit)
            for instant in governor.instants
        ]
        return Reading(
            place=self._levels(PLACE),
            outputs={name: self._levels(name) for name in self._outputs},
            caps=(*means, *highest),
            governor_db=db_of_magnitude(governor.gain),
            limiter_db=db_of_magnitude(self._limiter_gain),
            muted_frames=self._muted,
            cut_hops=governor.cuts,
        )

    def take_tally(self) -> Tally:
        """What was sent since the last tally was taken."""
        ears = self._governor.ears
        frames = max(1, self._hops) * HOP_FRAMES
        sent = {ear.key: db_of_power(float(energy) / frames) for ear, energy in zip(ears, self._energy, strict=True)}
        place_a, place_c = self._index[PLACE, Weighting.A], self._index[PLACE, Weighting.C]
        tally = Tally(
            duration_s=self._hops * HOP_S,
            laeq=sent[ears[place_a].key],
            lceq=sent[ears[place_c].key],
            lc_peak=db_of_magnitude(float(self._peak[place_c])),
            physical=self._physical,
            governor_db=db_of_magnitude(self._lowest_governor),
            limiter_db=db_of_magnitude(self._lowest_limiter),
            muted_frames=self._muted - self._muted_before,
            sent=sent,
        )
        self._start_tally()
        return tally
