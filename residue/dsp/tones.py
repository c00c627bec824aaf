"""Tones of scales: equal temperament and just ratios, in Hz, and the choice of the nearest one."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from residue.dsp import exact
from residue.dsp.exact import Floats

_MOST_OCTAVES = 21
"""The octaves from 0.01 Hz to 20 kHz."""


def tempered(degrees: Sequence[int], steps_per_octave: int) -> list[float]:
    """The ratios of degrees of an equal temperament to its degree 0."""
    return [exact.power(2.0, degree / steps_per_octave) for degree in degrees]


def tones_hz(ratios: Sequence[float], reference_hz: float, *, lowest_hz: float, highest_hz: float) -> Floats:
    """Every tone of a scale that repeats at the octave, from lowest_hz to highest_hz.

    ratios: the tones of one octave divided by reference_hz, ascending, from 1 to below 2.
    """
    octaves = range(-_MOST_OCTAVES, _MOST_OCTAVES + 1)
    tones = np.array([reference_hz * ratio * 2.0**octave for octave in octaves for ratio in ratios])
    return tones[(tones >= lowest_hz) & (tones <= highest_hz)]


class Nearest:
    """Chooses one of several places for each value of a stream: the place whose borders lie around the value.

    borders: ascending, one fewer than there are places. It leaves a place only when the value is past the border by
    `slack` times half the width of the next place, so that a value on a border does not flutter.
    """

    def __init__(self, borders: Floats, slack: float) -> None:
        halves = np.diff(borders) / 2.0 if len(borders) > 1 else np.zeros(1)
        self._borders = borders
        self._up = borders + slack * np.concatenate((halves, halves[-1:]))[: len(borders)]
        self._down = borders - slack * np.concatenate((halves[:1], halves))[: len(borders)]
        self._place: int | None = None

    def __call__(self, block: Floats) -> NDArray[np.int64]:
        """The number of the place at each value, (frames,)."""
        aims = np.searchsorted(self._borders, block, side="right")
        found = np.empty(len(block), np.int64)
        done = 0
        while done < len(block):
            here = int(aims[done]) if self._place is None else self._place
            leaves = np.zeros(len(block) - done, np.bool_)
            if here < len(self._borders):
                leaves |= block[done:] >= self._up[here]
            if here:
                leaves |= block[done:] < self._down[here - 1]
            stop = done + int(np.argmax(leaves)) if leaves.any() else len(block)
            found[done:stop] = here
            self._place = here if stop == len(block) else int(aims[stop])
            done = stop
        return found
