"""Frames that have passed the cap: the only type that a sink accepts."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray


class Seal:
    """Only the cap stage has it; without it no Capped can be made."""

    __slots__ = ()


@dataclass(frozen=True, slots=True)
class Capped:
    """Frames for the outputs of the room, within its caps.

    frames: (outputs, frames), full scale = 1, in the order of the outputs in room.toml.
    Only residue.loudness.stage.stage makes them; the seal closes every other way to a sink.
    """

    frames: NDArray[np.float64]
    seal: Seal

    def __post_init__(self) -> None:
        if not isinstance(self.seal, Seal):
            raise TypeError("Only the cap stage can make a Capped")
