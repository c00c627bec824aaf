"""Headphones: a room of its own, at ears where nobody has measured.

What a level in the wire is at the ear depends on the amplifier, its volume and the headphones. So no cap in dB at the
ear can be kept. In its place stand a low cap in the wire on the level over a second, a low trim, and a slow rise.
Players that keep EN 50332-1 reach no more than 100 dB(A) at full volume with a noise of -10 dBFS r.m.s. (from memory):
with this cap they reach 80 dB(A), which ITU-T H.870 takes as safe for 40 h a week (from memory). The amplifier of a
studio may be louder by 20 dB and more, which is why the caution asks for a low volume first.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from residue.loudness.caps.caps import Cap, CapEntry, expand
from residue.loudness.outputs.outputs import Output

LEFT, RIGHT = "left", "right"
TRIM_DB = -20.0
"""Our demos are at -17 LUFS before the cap: they are lowered by the cap in few places, and so keep their shape."""
_LIMITS_DBFS = {"LAeq": -30.0, "LCeq": -20.0}
"""A weighs what is low by 19 dB less than C at 100 Hz, and by 44 dB less at 20 Hz (IEC 61672-1): so both are capped."""
_WINDOW_S = 1.0
"""The shortest: nothing that was sent before a start needs to be remembered longer."""
_CEILING_DBTP = -10.0
_RISE_DB_PER_S = 20.0
SLOW_START_S = 3.0

OUTPUTS: Mapping[str, Output] = {
    name: Output(device_channel=channel, ceiling_dbtp=_CEILING_DBTP, rise_db_per_s=_RISE_DB_PER_S)
    for channel, name in enumerate((LEFT, RIGHT), start=1)
}

CAPS: Sequence[Cap] = expand(
    [
        CapEntry(quantity=quantity, window_s=_WINDOW_S, limit_dbfs=limit_dbfs, output=ear)
        for quantity, limit_dbfs in _LIMITS_DBFS.items()
        for ear in OUTPUTS
    ]
)

IN_WORDS = " and ".join(f"{name} over {_WINDOW_S:g} s at most {db:g} dBFS" for name, db in _LIMITS_DBFS.items())

CAUTION = (
    "Headphones are not calibrated, so no level at the ear is known. Begin with the volume all the way down, and raise "
    "it slowly: this can be loud, and very low sound strains ears before it seems loud."
)


def places(outputs: Sequence[str]) -> NDArray[np.float64]:
    """Where each output of a piece is heard: (2, outputs), the gains at the left and the right ear.

    An output with "left" or "right" in its name is heard on that side, any other in the middle. If no name says a side,
    they stand from left to right in the order of the piece. The power is the same everywhere.
    """
    sides = [_side(name.lower()) for name in outputs]
    if not any(sides) and len(outputs) > 1:
        sides = [2.0 * index / (len(outputs) - 1) - 1.0 for index in range(len(outputs))]
    right = [(1.0 + side) / 2.0 for side in sides]
    gains: NDArray[np.float64] = np.sqrt(np.array([[1.0 - share for share in right], right]))
    return gains


def mixed(outputs: Sequence[str], sound: NDArray[np.float64]) -> NDArray[np.float64]:
    """The outputs of a piece, (outputs, frames), at the two ears, (2, frames)."""
    both: NDArray[np.float64] = np.add.reduce(places(outputs)[:, :, np.newaxis] * sound, axis=1)
    return both


def _side(name: str) -> float:
    return float(RIGHT in name) - float(LEFT in name)
