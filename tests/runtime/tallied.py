"""Tallies of the cap stage, made up."""

from __future__ import annotations

from residue.loudness.stage.readings import Received, Tally
from residue.runtime.journal.tallies import Circumstances

THEN = Circumstances(house="playing", performance="first-batch", playhead_s=12.0, plan_gain_db=-3.0, trim_db=0.0)


def received(laeq: float) -> Received:
    """A and C 8 dB apart, as low sound has them."""
    return Received(
        laeq=laeq,
        lceq=laeq + 8.0,
        lzeq=laeq + 8.5,
        lgeq=laeq + 3.0,
        laf_max=laeq + 4.0,
        las_max=laeq + 2.0,
        lc_peak=laeq + 22.0,
        momentary_max_lufs=laeq - 95.0,
        short_term_max_lufs=laeq - 97.0,
        true_peak_dbtp=laeq - 88.0,
        integrated_lufs=laeq - 98.0,
        loudness_range_lu=11.0,
        aw=laeq - 90.0,
        vdv=10.0 ** ((laeq - 90.0) / 20.0),
        aw_horizontal=laeq - 96.0,
        vdv_horizontal=10.0 ** ((laeq - 96.0) / 20.0),
    )


def tally(duration_s: float, laeq: float) -> Tally:
    """Heard alike at the place and at the floor, 3 dB less at each speaker."""
    return Tally(
        duration_s=duration_s,
        place=received(laeq),
        outputs={"left": received(laeq - 3.0), "right": received(laeq - 3.0), "floor": received(laeq)},
        physical=True,
        governor_db=0.0,
        limiter_db=-1.5,
        muted_frames=0,
        sent={
            "A at place, dB, at most": laeq,
            "C at place, dB, at most": laeq + 8.0,
            "Z at floor, dBFS, at most": laeq - 95.0,
        },
        limits=(),
    )
