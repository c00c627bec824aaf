"""Filters whose cutoff moves while a step runs."""

from __future__ import annotations

import numpy as np

from residue.dsp.exact import Floats
from residue.dsp.swept import FilterSide, SweptFilter, warped
from residue.mapping.node import Control, Ramp
from residue.mapping.nodes.controls import mapped
from residue.mapping.signals import AUDIO_RATE_HZ, CONTROL_RATE_HZ, Fast, Kind, Shape, Slow, Span


class Swept:
    """A low-pass or high-pass for slow or fast signals; for fast ones the cutoff moves in lines from tick to tick."""

    def __init__(self, part: FilterSide, order: int, shape: Shape) -> None:
        self._run = SweptFilter(part, order, shape.channels)
        self._ramp = Ramp() if shape.kind is Kind.FAST else None

    def __call__(self, span: Span, signal: Slow | Fast, cutoff_hz: Control) -> Slow | Fast:
        """The filtered signal, in the same shape."""
        cutoffs = self._ramp(span, mapped(_fast, cutoff_hz)) if self._ramp else mapped(_slow, cutoff_hz)
        return self._run(np.atleast_2d(signal), np.zeros(signal.shape[-1]) + cutoffs).reshape(signal.shape)


def _fast(cutoff_hz: Floats) -> Floats:
    return warped(cutoff_hz, AUDIO_RATE_HZ)


def _slow(cutoff_hz: Floats) -> Floats:
    return warped(cutoff_hz, CONTROL_RATE_HZ)
