"""From the outputs of a room to the channels of a device."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from residue.loudness.stage.capped import Capped


@dataclass(frozen=True, slots=True)
class Routing:
    """The channel of the device, counted from 1, for each output of the room."""

    device_channels: tuple[int, ...]

    @property
    def width(self) -> int:
        """The number of channels that the device must have."""
        return max(self.device_channels)

    def interleaved(self, capped: Capped) -> NDArray[np.float32]:
        """The frames for devices and files, (frames, width); channels without an output are silent."""
        return self.spread(capped.frames)

    def spread(self, frames: NDArray[np.float64]) -> NDArray[np.float32]:
        """The same for frames that were capped and then retimed."""
        routed = np.zeros((frames.shape[1], self.width), np.float32)
        routed[:, [channel - 1 for channel in self.device_channels]] = frames.T
        return routed
