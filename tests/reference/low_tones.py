"""Every low tone at every level, on each kind of transducer: none is taken for a fault, none passes a cap.

    python -m tests.reference.low_tones

It plays all tones from 2 to 100 Hz at once, each on an output of its own and without a cap, behind each high-pass:
whether enough of them is left for the watchdog. Then each tone alone, in bursts, behind the high-pass that lets most
through and under caps that lower it in the middle of a wave. What is sent is judged as the watchdog judges it, and
measured with the meters of analogue_meter, which import nothing of the project.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from msgspec import structs
from numpy.typing import NDArray

from residue.loudness.caps.caps import expand
from residue.loudness.meters.direct_current import DirectCurrentMeter
from residue.loudness.outputs.outputs import SUBSONIC_HZ, Output
from residue.loudness.stage.stage import CapStage
from residue.watchdog.checks import AUDIBLE, DIRECT, NOTHING
from tests.reference.analogue_meter import RATE_HZ
from tests.reference.promise import HOP_FRAMES, QUANTITIES, House

Floats = NDArray[np.float64]

TONES_HZ = tuple(range(2, 101))
LEVELS_DBFS = (0.0, -6.0, -12.0, -18.0, -24.0, -30.0)
"""A tone at -30 dBFS cannot be a direct current of as much."""
CAPS = {"speaker": ("LCeq", "LCpeak", "LAFmax"), "shaker": ("LCpeak", "aw", "VDV")}
LEAST_HZ, MOST_HZ = 1.0, 120.0
"""The high-passes that room.toml may ask for."""
QUIETEST_DBFS = -59.0
"""What the watchdog expects to be heard; below, it expects nothing."""
_SOUNDS_S = ((0.0, 2.7), (3.3, 5.33), (5.9, 6.2), (6.5, 6.8))
"""Bursts of 2 Hz of these lengths leave the most direct current where a cap on a peak lowers them."""
_WHOLE_S = 8.0


@dataclass(frozen=True)
class Found:
    """What became of one tone."""

    transducer: str
    hz: int
    level_dbfs: float
    direct_db: float
    """The direct current against the limit of the watchdog."""
    over_db: float
    """The highest window of any cap against its limit."""


def output(transducer: str, subsonic_hz: float) -> Output:
    """One whose calibration the meters of the caps know."""
    measured = QUANTITIES["aw" if transducer == "shaker" else "LCeq"]
    return structs.replace(House(measured, Path()).outputs_of_room()["left"], subsonic_hz=subsonic_hz)


def sound(hz: float, level_dbfs: float) -> Floats:
    """(1, frames): bursts that break off at any place in a wave, and silence."""
    time = np.arange(round(_WHOLE_S * RATE_HZ)) / RATE_HZ
    sounds = np.any([(time >= begins) & (time < ends) for begins, ends in _SOUNDS_S], axis=0)
    tone: Floats = 10 ** (level_dbfs / 20) * np.sin(2 * np.pi * hz * time + 0.3) * sounds
    return tone[np.newaxis]


def under_caps(transducer: str, hz: int, level_dbfs: float) -> Found:
    """One tone alone."""
    measured = [QUANTITIES[name] for name in CAPS[transducer]]
    caps = expand([one.entry for one in measured if one.entry is not None])
    stage, meter = CapStage({"left": output(transducer, LEAST_HZ)}, caps, metered=False), DirectCurrentMeter(1)
    asked, sent, direct = sound(hz, level_dbfs), list[Floats](), 0.0
    for block in np.split(asked, asked.shape[1] // HOP_FRAMES, axis=1):
        sent.append(stage.process(block).frames)
        direct = max(direct, float(meter(sent[-1])[0]))
    arriving = np.concatenate(sent, axis=1)[0]
    over_db = max(one.meter(arriving) - one.limit for one in measured)
    return Found(transducer, hz, level_dbfs, _db(direct / DIRECT), over_db)


def left_db(transducer: str, subsonic_hz: float, tones_hz: Sequence[int]) -> float:
    """The least that is sent of any tone that the watchdog expects to be heard, against what it counts as nothing."""
    outputs = {str(hz): structs.replace(output(transducer, subsonic_hz), device_channel=hz) for hz in tones_hz}
    stage = CapStage(outputs, (), metered=False)
    asked = np.concatenate([sound(hz, QUIETEST_DBFS) for hz in tones_hz])
    assert np.max(np.abs(asked), axis=1).min() > AUDIBLE
    sent = [stage.process(block).frames for block in np.split(asked, asked.shape[1] // HOP_FRAMES, axis=1)]
    steady = np.concatenate(sent, axis=1)[:, RATE_HZ : 2 * RATE_HZ]
    return _db(float(np.max(np.abs(steady), axis=1).min()) / NOTHING)


def _db(ratio: float) -> float:
    return 20 * float(np.log10(ratio + 1e-30))


def swept(tones_hz: Sequence[int], levels_dbfs: Sequence[float]) -> Iterator[Found]:
    """Each tone at each level on each kind of transducer."""
    for transducer in CAPS:
        for hz in tones_hz:
            yield from (under_caps(transducer, hz, level_dbfs) for level_dbfs in levels_dbfs)


def main() -> None:
    """Prints what is over, and the highest of each."""
    for transducer, subsonic_hz in SUBSONIC_HZ.items():
        for hz in (LEAST_HZ, subsonic_hz, MOST_HZ):
            left = left_db(transducer, hz, TONES_HZ)
            sys.stdout.write(f"{transducer} behind {hz:g} Hz: {left:.1f} dB above what counts as nothing\n")
    found = list[Found]()
    for one in swept(TONES_HZ, LEVELS_DBFS):
        found.append(one)
        if one.direct_db > 0.0 or one.over_db > 0.0:
            sys.stdout.write(f"{one}\n")
        sys.stdout.flush()
    for transducer in CAPS:
        of_this = [one for one in found if one.transducer == transducer]
        for highest in (max(of_this, key=lambda one: one.direct_db), max(of_this, key=lambda one: one.over_db)):
            sys.stdout.write(f"{len(of_this)}: {highest}\n")


if __name__ == "__main__":
    main()
