"""Frames that have been through the cap: the only type that a sink accepts."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray


class Seal:
    """Held by the cap stage alone; without it no Capped can be made."""

    __slots__ = ()


@dataclass(frozen=True, slots=True)
class Capped:
    """Frames for the outputs of the room that keep within its caps.

    frames: (outputs, frames), full scale = 1, in the order of the outputs in room.toml.
    Made only by residue.loudness.stage.stage; the seal is what keeps every other path to a sink shut.
    """

    frames: NDArray[np.float64]
    seal: Seal

    def __post_init__(self) -> None:
        if not isinstance(self.seal, Seal):
            raise TypeError("Only the cap stage can make a Capped")
