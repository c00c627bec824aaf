"""The changes that the cap stage and the plan make to a performance, output by output, known before it plays."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from residue.dsp.switching import stretches
from residue.durations import place_in_words
from residue.loudness.meters.hops import HOP_FRAMES, HOPS_A_SECOND
from residue.loudness.outputs.outputs import Output
from residue.loudness.plan.arc import GainCurve
from residue.loudness.plan.first_rise import TOLD_DB, onset_gains
from residue.loudness.plan.plan import PlannedPerformance
from residue.loudness.plan.profile import LevelProfile
from residue.loudness.stage.protection import HIGHEST_HZ

Floats = NDArray[np.float64]

_QUIET = 1e-7 * HOP_FRAMES
"""A second below -70 dBFS is compared with nothing: what the filters leave of it says nothing of them."""
_MOST_TOLD = 3
_OVER_S = 5
"""Levels are compared over so many seconds: the filters delay what is low, which is no change of level."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Changed:
    """The level of one output after the stage, relative to what the mapping gives it."""

    output: str
    throughout_db: float
    """The gain of the plan and the trim."""
    course_db: Floats
    """(seconds,): everything together, with the band of the output, the bound on the first rise and a shaped arc; over
    5 s around, and NaN where the mapping is silent.
    """
    protection_hz: float

    @property
    def words(self) -> str | None:
        """A sentence for a technician; None if nothing is changed by more than TOLD_DB."""
        further = self.course_db - self.throughout_db
        found = stretches(np.nan_to_num(np.abs(further)) > TOLD_DB)
        if not found and abs(self.throughout_db) <= TOLD_DB:
            return None
        told = sorted(found, key=lambda at: -float(np.nanmax(np.abs(further[slice(*at)]))))[:_MOST_TOLD]
        each = [self._stretch_words(further, *at) for at in sorted(told)]
        untold = len(found) - len(told)
        more = [f"less in {untold} more {'stretch' if untold == 1 else 'stretches'}"] if untold else []
        beside = f"; beside that {', '.join([*each, *more])}" if each else ", and nothing else"
        return f"{self.output}: {self.throughout_db:+.1f} dB throughout against the mapping{beside}."

    def _stretch_words(self, further: Floats, start: int, stop: int) -> str:
        part = further[start:stop]
        most_db = float(part[int(np.nanargmax(np.abs(part)))])
        return (
            f"up to {most_db:+.1f} dB from {place_in_words(start, tenths=True)} to {place_in_words(stop, tenths=True)}"
        )

    @property
    def band_in_words(self) -> str:
        """What is sent of a sound at most."""
        return f"{self.protection_hz:g} Hz to {HIGHEST_HZ / 1000:g} kHz"


def changes(profile: LevelProfile, planned: PlannedPerformance, outputs: Mapping[str, Output]) -> dict[str, Changed]:
    """The changes of a performance that begins after a silence, under its plan, by output."""
    onset = onset_gains(profile, planned, outputs)
    hops = np.arange(0.5, profile.onset_energy.shape[1])
    shape_db = GainCurve(planned.knots_db).levels_db(hops)
    sent = _per_second(profile.onset_energy * onset * onset * 10.0 ** (shape_db / 10.0))
    asked = _per_second(profile.mapping_energy)
    found = {}
    for row, (name, output) in enumerate(outputs.items()):
        plan_db = planned.gain_db + planned.lowering.alone_db.get(name, 0.0)
        with np.errstate(divide="ignore", invalid="ignore"):
            course = np.where(asked[row] >= _QUIET, 10.0 * np.log10(sent[row] / asked[row]), np.nan)
        found[name] = Changed(
            output=name,
            throughout_db=plan_db + output.trim_db,
            course_db=course + plan_db,
            protection_hz=output.protection_hz,
        )
    return found


def _per_second(energy: Floats) -> Floats:
    """(outputs, hops) to (outputs, seconds): the mean of a hop over the seconds around."""
    filled = np.pad(energy, ((0, 0), (0, -energy.shape[1] % HOPS_A_SECOND)))
    seconds = np.add.reduce(filled.reshape(len(filled), -1, HOPS_A_SECOND), axis=2)
    around = np.pad(seconds, ((0, 0), (_OVER_S // 2, _OVER_S // 2)))
    means: Floats = np.mean(np.lib.stride_tricks.sliding_window_view(around, _OVER_S, axis=1), axis=2) / HOPS_A_SECOND
    return means
