"""Stand-ins that the tests of the runtime share."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date

import numpy as np
from numpy.typing import NDArray

from residue.loudness.caps.caps import CapEntry, expand
from residue.loudness.outputs.calibration import Calibration
from residue.loudness.outputs.outputs import Output
from residue.loudness.stage.capped import Capped
from residue.loudness.stage.stage import CapStage
from residue.mapping.playback import Played
from residue.mapping.signals import Span
from residue.output.sink import Queued, SinkLostError

OUTPUTS = {"left": Output(device_channel=1), "right": Output(device_channel=2)}
CAPS = expand([CapEntry(quantity="LAeq", window_s=60, limit_dbfs=0.0)])
CALIBRATED = Calibration(played_dbfs=-20.0, read_dba=70.0, read_dbc=72.0, on=date(2026, 3, 2))


def stage() -> CapStage:
    """A cap stage that has nothing to do."""
    return CapStage(OUTPUTS, CAPS)


class Hum:
    """A playback of a steady tone in two outputs."""

    def __init__(self, frames: int, change: Callable[[NDArray[np.float64], Span], None] = lambda block, span: None):
        self.position = 0
        self._frames = frames
        self._change = change

    def step(self, frames: int) -> Played:
        span = Span(self.position, self.position + frames)
        self.position = span.stop
        tone = 0.1 * np.sin(2 * np.pi * 200 / 48_000 * np.arange(span.start, span.stop))
        block = np.vstack([tone, tone])
        self._change(block, span)
        return Played(span, block, {}, "first", ended=span.stop >= self._frames, readings={})

    def skip_to(self, frame: int, progress: Callable[[int], None] = lambda frame: None) -> None:
        self.position = frame
        progress(frame)


class Keeping:
    """A sink that keeps what it is given, and is lost while it is told to be."""

    latency_s = 0.4

    def __init__(self) -> None:
        self.blocks: list[NDArray[np.float64]] = []
        self.late_blocks = 0
        self.gone = False
        self.closed = 0

    def write(self, capped: Capped) -> None:
        if self.gone:
            raise SinkLostError("It is unplugged.")
        self.blocks.append(capped.frames)

    def play(self, frames: NDArray[np.float32]) -> Queued:
        if self.gone:
            raise SinkLostError("It is unplugged.")
        self.blocks.append(frames.T.astype(np.float64))
        return Queued(asked_s=0.0, at_s=0.0, queued_frames=0.0)

    def close(self) -> None:
        self.closed += 1

    def open(self) -> Keeping:
        if self.gone:
            raise SinkLostError("It is still unplugged.")
        return self

    @property
    def heard(self) -> NDArray[np.float64]:
        return np.concatenate(self.blocks, axis=1)


class HandClock:
    """A monotonic clock that a test moves; waiting moves it too."""

    def __init__(self) -> None:
        self.now_s = 1_000.0

    def monotonic_s(self) -> float:
        return self.now_s

    def sleep(self, duration_s: float) -> None:
        self.now_s += duration_s
