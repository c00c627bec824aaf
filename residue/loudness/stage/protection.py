"""Protects loudspeakers, and listeners from sudden loudness, before the caps."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from residue.dsp import exact
from residue.dsp.delay import DelayLine
from residue.dsp.filters import SosFilter, highpass, lowpass
from residue.dsp.kernel import power_sums
from residue.loudness.meters.hops import HOP_FRAMES, HOP_RATE_HZ
from residue.loudness.outputs.outputs import Output

Floats = NDArray[np.float64]

SUBSONIC_ORDER = 4
HIGHEST_HZ, HIGHEST_ORDER = 20_000.0, 8
"""No higher frequency is sent: nobody hears it, it heats a tweeter, and peaks between the samples are only known for a
sound that ends below half the rate (-49 dB at 22 kHz, -0.1 dB at 19 kHz).
"""
LOUDEST = 16.0
"""Samples are clipped here (+24 dBFS): a higher one is a fault of the mapping, and too high for the limiter."""

QUIET_DBFS = -60.0
"""An output with a lower level in a hop counts as silent: the noise of a quiet gallery masks it. Common practice, no
source.
"""
SILENCE_S = 5.0
"""After so long without sound on any output, the next sound can startle. Our choice, no source: longer than the pause
between two slow beats or breaths, shorter than a rest between performances."""


class Delays:
    """The delay of each output."""

    def __init__(self, outputs: Mapping[str, Output]) -> None:
        self._lines = [DelayLine(1, round(output.delay_ms * HOP_RATE_HZ / 1000)) for output in outputs.values()]

    def __call__(self, block: Floats) -> Floats:
        """(outputs, frames) to the same shape; without any delay, the block itself."""
        delayed = block
        for row, line in enumerate(self._lines):
            if line.length:
                delayed = block.copy() if delayed is block else delayed
                delayed[row] = line(block[row : row + 1])[0]
        return delayed


class Conditioner:
    """The linear protections of each output: trim, delay, and its band, without DC."""

    def __init__(self, outputs: Mapping[str, Output]) -> None:
        self._gains = self._wanted = _trims(outputs)
        self._delay = Delays(outputs)
        highest = lowpass(HIGHEST_HZ, HOP_RATE_HZ, HIGHEST_ORDER)
        lowest_hz = [output.protection_hz for output in outputs.values()]
        self._protect = SosFilter(
            np.stack([np.vstack([highpass(hz, HOP_RATE_HZ, SUBSONIC_ORDER), highest]) for hz in lowest_hz])
        )

    def trim(self, outputs: Mapping[str, Output]) -> None:
        """Moves to the trims of these outputs within the next block, which is a hop of the cap stage."""
        self._wanted = _trims(outputs)

    def _line(self, frames: int) -> Floats:
        """The gains over a block; they move in a straight line, so that there is no click."""
        before, self._gains = self._gains, self._wanted
        if before is self._gains:
            return self._gains
        return before + (self._gains - before) * (np.arange(1, frames + 1) / frames)

    def __call__(self, block: Floats) -> Floats:
        """Conditions a block, (outputs, frames), of finite samples; gives the same shape."""
        trimmed: Floats = np.minimum(np.maximum(block, -LOUDEST), LOUDEST) * self._line(block.shape[1])
        return self._protect(self._delay(trimmed))


def _trims(outputs: Mapping[str, Output]) -> Floats:
    return np.array([[exact.gain_from_db(output.trim_db)] for output in outputs.values()])


class OnsetLine:
    """The gains at which the level of each output rises out of silence no faster than its rise_db_per_s.

    A line starts at QUIET_DBFS after a silence on all outputs, and rises in each hop in which an output sounds. A hop
    above the line is lowered to it. After about a second of sound the line is above every level of a mapping, and stays
    there until the next silence. So it does not change pauses, beats and accents within a performance.
    """

    def __init__(self, outputs: Mapping[str, Output], hop_frames: int = HOP_FRAMES) -> None:
        """hop_frames: less than HOP_FRAMES where the cap stage works in slices."""
        hop_s = hop_frames / HOP_RATE_HZ
        self._floor = hop_frames * exact.power(10.0, QUIET_DBFS / 10.0)
        self._top = hop_frames * LOUDEST * LOUDEST
        self._silence_hops = round(SILENCE_S / hop_s)
        self._rise = np.array([exact.power(10.0, output.rise_db_per_s * hop_s / 10.0) for output in outputs.values()])
        self._line = np.full(len(outputs), self._floor)
        self._silent_hops = 0

    def __call__(self, energy: Floats) -> Floats:
        """energy: (outputs,), the sum of squares of the next hop. Gives its gains, 1 at most."""
        if (energy >= self._floor).any():
            self._line = np.minimum(self._line * self._rise, self._top)
            self._silent_hops = 0
        else:
            self._silent_hops += 1
            if self._silent_hops >= self._silence_hops:
                self._line = np.full_like(self._line, self._floor)
        gains: Floats = np.sqrt(np.minimum(1.0, self._line / np.maximum(energy, self._floor)))
        return gains


class OnsetGuard:
    """Limits how fast the level of each output rises from silence (OnsetLine), so that nobody is startled.

    The gain at the boundary of two hops is the lower of their gains, so one hop is held back.
    """

    def __init__(self, outputs: Mapping[str, Output], hop_frames: int = HOP_FRAMES) -> None:
        self._line = OnsetLine(outputs, hop_frames)
        self._shares = np.arange(1, hop_frames + 1) / hop_frames
        self._held = np.zeros((len(outputs), hop_frames))
        self._wanted = np.ones(len(outputs))
        self._gain = np.ones(len(outputs))

    def __call__(self, hop: Floats) -> Floats:
        """Takes one hop, (outputs, hop_frames), and gives the hop before it."""
        wanted = self._line(hop_energy(hop))
        boundary = np.minimum(self._wanted, wanted)
        given, before = self._held, self._gain
        if (before != 1.0).any() or (boundary != 1.0).any():
            given = given * (before[:, np.newaxis] + (boundary - before)[:, np.newaxis] * self._shares)
        self._held, self._wanted, self._gain = hop, wanted, boundary
        return given


def hop_energy(hops: Floats) -> Floats:
    """The sum of squares over the last axis, which is a hop."""
    return power_sums(hops, hops.shape[-1])[..., 0]
