"""Parameters on their way into a step: from dB to gains, from ticks to frames, and their values at an event.

A parameter must give the same bits whether it comes as a number or as an array of that number, because which of the
two it is depends on how time is cut into spans.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import lru_cache

import numpy as np

from residue.dsp import exact
from residue.dsp.exact import Floats
from residue.mapping.node import Control, Ramp
from residue.mapping.signals import FRAMES_PER_TICK, Span


def mapped(curve: Callable[[Floats], Floats], control: Control) -> Control:
    """The values of a curve at a control, (ticks,) or a number."""
    return _at_number(curve, control) if isinstance(control, float) else curve(control)


@lru_cache(maxsize=1024)
def _at_number(curve: Callable[[Floats], Floats], number: float) -> float:
    return float(curve(np.array([number]))[0])


def at_ticks(control: Control, ticks: int) -> Floats:
    """The control at each of so many ticks, (ticks,)."""
    return np.full(ticks, control) if isinstance(control, float) else control


def gains(levels_db: Control) -> Control:
    """Amplitude factors of levels in dB."""
    return mapped(exact.gains_from_db, levels_db)


class GainRamp:
    """Converts a level in dB to a factor for each frame of a span."""

    def __init__(self) -> None:
        self._ramp = Ramp()

    def __call__(self, span: Span, levels_db: Control) -> Control:
        """The factor, (frames,), or a number while it is constant."""
        return self._ramp(span, gains(levels_db))


class AtFrame:
    """The values of a control at single frames, between the ticks too."""

    def __init__(self) -> None:
        self._last = 0.0

    def __call__(self, span: Span, control: Control) -> Callable[[int], float]:
        """The values of the control at these frames of the span."""
        # In a span without a tick a number may be ahead of its time: the value of the tick before counts.
        values = np.concatenate(([self._last], at_ticks(control, span.ticks)))
        self._last = float(values[-1])
        return lambda frame: float(values[frame // FRAMES_PER_TICK - span.first_tick + 1])
