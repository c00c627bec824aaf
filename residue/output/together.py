"""Several sinks as one."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from residue.loudness.stage.capped import Capped
from residue.output.sink import Queued, TimedSink


class Together:
    """Gives the same frames to every sink, one after the other; the slowest sets the pace."""

    def __init__(self, sinks: Sequence[TimedSink]) -> None:
        self._sinks = sinks
        self.latency_s = max(sink.latency_s for sink in sinks)

    @property
    def late_blocks(self) -> int:
        """The late blocks of all sinks together."""
        return sum(sink.late_blocks for sink in self._sinks)

    def write(self, capped: Capped) -> None:
        """Raises SinkLostError when one of them is lost."""
        for sink in self._sinks:
            sink.write(capped)

    def play(self, frames: NDArray[np.float32]) -> Queued:
        """The same for routed frames; the reading is that of the sink with the most left to play."""
        return max((sink.play(frames) for sink in self._sinks), key=lambda reading: reading.queued_frames)

    def close(self) -> None:
        """Closes all sinks."""
        for sink in self._sinks:
            sink.close()
