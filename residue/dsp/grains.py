"""Transposition upwards by a whole factor."""

from __future__ import annotations

import numpy as np

from residue.dsp import kernel
from residue.dsp.delay import put_round
from residue.dsp.exact import TURN, Floats, cosine


class Raised:
    """Multiplies every frequency by `factor`: overlapping grains, each read `factor` times faster than it came.

    A grain of `grain` frames (made even) begins so far back that its last frame is the present one;
    two grains sound at any time, and their windows (raised cosines) add up to 1.
    On average the output is (factor - 1) * grain / 2 frames late.
    """

    def __init__(self, factor: int, grain: int) -> None:
        self._factor, self._half = factor, grain // 2
        length = 2 * self._half
        phase = np.floor(np.arange(length) / length * TURN).astype(np.uint64)
        self._window = 0.5 - 0.5 * cosine(phase)
        self._reach = (factor - 1) * length
        self._ring = np.zeros(1)
        """The frames that any grain may read: frame n is at the place n modulo its length."""
        self._frame = 0

    def __call__(self, sound: Floats) -> Floats:
        """The sound, (frames,), transposed."""
        self._remember(sound)
        out = np.zeros(len(sound))
        for late in (0, self._half):
            self._read(out, late)
        self._frame += len(sound)
        return out

    def _remember(self, sound: Floats) -> None:
        size = self._reach + len(sound)
        if len(self._ring) < size:
            before = np.arange(max(0, self._frame - self._reach), self._frame)
            grown = np.zeros(size)
            grown[before % size] = self._ring[before % len(self._ring)]
            self._ring = grown
        put_round(self._ring, self._frame % len(self._ring), sound)

    def _read(self, out: Floats, late: int) -> None:
        """Adds the grains that begin `late` frames into a grain's length: each reads every `factor`-th frame."""
        length, size = len(self._window), len(self._ring)
        done = 0
        while done < len(out):
            within = (self._frame + done - late) % length
            frames = min(length - within, len(out) - done)
            at = (self._frame + done - (self._factor - 1) * (length - within)) % size
            if kernel.COMPILED:
                kernel.add_raised(
                    out,
                    ring=self._ring,
                    at=at,
                    factor=self._factor,
                    window=self._window,
                    within=within,
                    first=done,
                    count=frames,
                )
            else:
                grain = self._ring[(at + np.arange(frames) * self._factor) % size]
                out[done : done + frames] += grain * self._window[within : within + frames]
            done += frames
