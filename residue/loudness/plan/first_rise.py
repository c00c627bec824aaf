"""Finds, before a performance plays, where the bound on the first rise out of silence will lower it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from residue.dsp.switching import stretches
from residue.durations import place_in_words
from residue.loudness.meters.hops import HOP_S
from residue.loudness.outputs.outputs import Output
from residue.loudness.plan.arc import GainCurve
from residue.loudness.plan.plan import PlannedPerformance
from residue.loudness.plan.profile import LevelProfile
from residue.loudness.stage.protection import OnsetLine

Floats = NDArray[np.float64]

TOLD_DB = 0.1
"""A difference below this cannot be heard: our choice, well below the smallest step that listeners notice."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LoweredRise:
    """A stretch in which an output is lowered."""

    output: str
    start_s: float
    stop_s: float
    most_db: float
    """The most by which it is lowered, above 0."""

    @property
    def words(self) -> str:
        """A sentence for a technician."""
        between = f"from {place_in_words(self.start_s, tenths=True)} to {place_in_words(self.stop_s, tenths=True)}"
        return f"Output {self.output} is lowered by up to {self.most_db:.1f} dB {between}: it starts too fast."


def lowered_rises(
    profile: LevelProfile, planned: PlannedPerformance, outputs: Mapping[str, Output]
) -> Iterator[LoweredRise]:
    """The stretches in which the stage lowers a performance that begins after a silence, under its plan."""
    for name, lowered_db in zip(outputs, -20.0 * np.log10(onset_gains(profile, planned, outputs)), strict=True):
        for start, stop in stretches(lowered_db > TOLD_DB):
            most_db = float(np.max(lowered_db[start:stop]))
            yield LoweredRise(output=name, start_s=start * HOP_S, stop_s=stop * HOP_S, most_db=most_db)


def onset_gains(profile: LevelProfile, planned: PlannedPerformance, outputs: Mapping[str, Output]) -> Floats:
    """(outputs, hops): the gains of the bound on the first rise, under a plan."""
    hops = profile.onset_energy.shape[1]
    gains_db = planned.gain_db + GainCurve(planned.knots_db).levels_db(np.arange(0.5, hops))
    line = OnsetLine(outputs)
    alone_db = np.array([[planned.lowering.alone_db.get(name, 0.0)] for name in outputs])
    gains = [line(energy) for energy in (profile.onset_energy * 10.0 ** ((gains_db + alone_db) / 10.0)).T]
    return np.array(gains).reshape(hops, len(outputs)).T
