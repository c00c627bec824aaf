"""The tone that tests an output in a running house: it quietly plays as many pulses as the output's number."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from residue.loudness.calibration.calibration_signals import counted_pulses
from residue.loudness.meters.weightings import Weighting
from residue.loudness.outputs.calibration import offset_db
from residue.loudness.outputs.outputs import Output

TONE_DBC = {"speaker": 65.0, "shaker": 75.0}
"""The level at the visitor's place while a pulse sounds: as loud as speech; a shaker is hardly heard below that. Our
choice.
"""
UNCALIBRATED_DBFS = -50.0
LOUDEST_DBFS = -20.0


def check_tone(outputs: Mapping[str, Output], name: str) -> NDArray[np.float64]:
    """(outputs, frames): pulses on one output, as many as its place among them, and silence on the others."""
    output, number = outputs[name], list(outputs).index(name)
    stimulus = counted_pulses(number + 1, output.transducer)
    level_dbfs = UNCALIBRATED_DBFS
    if output.calibration is not None:
        full_scale_dbc = (
            offset_db(output.calibration, Weighting.C, output.transducer) + stimulus.weighted_db[Weighting.C]
        )
        level_dbfs = min(LOUDEST_DBFS, TONE_DBC[output.transducer] - full_scale_dbc)
    tone = np.zeros((len(outputs), len(stimulus.loop)))
    tone[number] = 10.0 ** (level_dbfs / 20.0) * stimulus.loop
    return tone
