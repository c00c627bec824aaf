"""From the control rate to the audio rate, keeping the waveform."""

from __future__ import annotations

import math
from functools import cache

import numpy as np
from numpy.typing import NDArray

from residue.dsp import exact
from residue.dsp.kernel import polyphase

Floats = NDArray[np.float64]

_KAISER_BETA = 7.86
"""For 80 dB of stop-band attenuation: beta = 0.1102 (A - 8.7), Kaiser (1974)."""
TAPS_PER_PHASE = 16


def _bessel_i0(x: float) -> float:
    """Modified Bessel function of order 0 by its power series, whose terms are all positive."""
    term = total = 1.0
    for k in range(1, 60):
        term *= (x / (2 * k)) * (x / (2 * k))
        total += term
    return total


@cache
def kernel(factor: int) -> Floats:
    """A Kaiser-windowed sinc that interpolates by a whole factor: TAPS_PER_PHASE * factor + 1 taps, symmetrical.

    Each phase is scaled to unit gain at DC, so that a constant stays constant.
    """
    half = TAPS_PER_PHASE * factor // 2
    taps = np.empty(2 * half + 1)
    for n in range(half + 1):
        sinc = 1.0 if n == 0 else exact.sin_turns(n / (2 * factor)) * factor / (n * math.pi)
        window = _bessel_i0(_KAISER_BETA * math.sqrt(1.0 - (n / half) * (n / half))) / _bessel_i0(_KAISER_BETA)
        taps[half + n] = taps[half - n] = sinc * window
    for phase in range(factor):
        gain = 0.0
        for tap in taps[phase::factor].tolist():  # not sum(), which rounds in another way since Python 3.12
            gain += tap
        taps[phase::factor] /= gain
    return taps


class Interpolator:
    """Makes `factor` frames of every value of a stream, band-limited; the output is TAPS_PER_PHASE / 2 values late.

    A call takes the values since the last call and says which frames it wants, so that a span may begin and end within
    a value.
    """

    def __init__(self, factor: int) -> None:
        self._factor, self._filter = factor, polyphase(kernel(factor), up=factor)
        self._recent = np.zeros(TAPS_PER_PHASE + 1)  # the last of them belongs to the frames in progress

    def __call__(self, values: Floats, lead: int, frames: int) -> Floats:
        """The output, (frames,).

        It begins `lead` frames after the value that was the last one at the end of the last call.
        """
        stream = np.concatenate((self._recent, values))
        self._recent = stream[len(stream) - len(self._recent) :]
        return self._filter(stream, TAPS_PER_PHASE * self._factor + lead, frames)
