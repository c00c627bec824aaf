"""What a sound can reach that is cut off: by a power cut, or by the end of the process that plays.

A weighting takes low tones away, and gives them back where the sound breaks off: a click. Nothing fades it, and no cap
stage sees it. How loud it can be at most follows from the ceilings of the outputs alone.
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import lru_cache

import numpy as np

from residue.dsp.filters import SosFilter
from residue.loudness.caps.caps import Cap
from residue.loudness.caps.ears import ear_of
from residue.loudness.caps.quantities import Statistic
from residue.loudness.meters.hops import HOP_RATE_HZ
from residue.loudness.meters.levels import db_of_power
from residue.loudness.meters.time_weighting import TIME_CONSTANT_S
from residue.loudness.meters.weightings import Weighting, sections
from residue.loudness.outputs.outputs import Output
from residue.loudness.stage.limiter import limiter_ceiling

_MEMORY_FRAMES = 48_000
"""A second, after which nothing is left of a sound under A and C: their slowest poles are at 20.6 Hz."""


def cut_off_db(cap: Cap, outputs: Mapping[str, Output]) -> float:
    """By how many dB a cap on a peak, or on LAFmax, can be exceeded at most where the sound is cut off at any sample.

    Zero where the click stays below the cap. After the cut, what a weighting gives is what is left of its impulse
    response times samples of the past, none of which is above the ceiling. Raises ValueError where the ear of the cap
    is not known, and for a cap on a mean or a dose.
    """
    if cap.quantity.windowed:
        raise ValueError(f"{cap.name} is not a cap on a moment.")
    ceilings = [limiter_ceiling(output) for output in outputs.values()]
    highest = sum(gain * ceiling for gain, ceiling in zip(ear_of(cap, outputs).gains, ceilings, strict=True))
    peak, power = _click(cap.quantity.weighting)
    if cap.quantity.statistic is Statistic.PEAK:
        return max(0.0, db_of_power((highest * peak) ** 2) - cap.limit)
    click = highest * highest * power  # added to what the needle shows at the cut
    return db_of_power(1.0 + click / 10.0 ** (cap.limit / 10.0))


@lru_cache
def _click(weighting: Weighting) -> tuple[float, float]:
    """The most after a cut, of a sound that was never above 1: the magnitude, and the power under F."""
    impulse = np.zeros(_MEMORY_FRAMES)
    impulse[0] = 1.0
    magnitudes = np.abs(SosFilter(sections(weighting, HOP_RATE_HZ))(impulse))
    left = np.cumsum(magnitudes[::-1])[::-1][1:]
    return float(left[0]), float(np.add.reduce(left * left)) / (TIME_CONSTANT_S["F"] * HOP_RATE_HZ)
