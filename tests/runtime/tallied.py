"""Tallies of the cap stage, made up."""

from __future__ import annotations

import math

from residue.loudness.readings import Received, Tally
from residue.runtime.tallies import Circumstances

THEN = Circumstances(house="playing", performance="first-batch", playhead_s=12.0, plan_gain_db=-3.0, trim_db=0.0)


def received(laeq: float) -> Received:
    return Received(
        laeq=laeq,
        lceq=66.0,
        lzeq=67.0,
        lgeq=60.0,
        laf_max=laeq + 4.0,
        las_max=laeq + 2.0,
        lc_peak=80.0,
        momentary_max_lufs=-30.0,
        short_term_max_lufs=-31.0,
        true_peak_dbtp=-12.0,
        integrated_lufs=-32.0,
        loudness_range_lu=8.0,
        aw=-20.0,
        vdv=1.5,
    )


def tally(duration_s: float, laeq: float) -> Tally:
    return Tally(
        duration_s=duration_s,
        place=received(laeq),
        outputs={"left": received(laeq), "floor": received(laeq - 20.0)},
        physical=True,
        governor_db=0.0,
        limiter_db=-1.5,
        muted_frames=0,
        sent={"A at place, dB": laeq, "C at floor, dB": -math.inf},
    )
