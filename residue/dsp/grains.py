"""Transposition upwards by a whole factor."""

from __future__ import annotations

import numpy as np

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
        self._heard = np.zeros(self._reach)
        self._stop = self._reach
        self._frame = 0

    def __call__(self, sound: Floats) -> Floats:
        """The sound, (frames,), transposed."""
        heard = self._remember(sound)
        out = np.zeros(len(sound))
        for late in (0, self._half):
            self._read(heard, out, late)
        self._frame += len(sound)
        return out

    def _remember(self, sound: Floats) -> Floats:
        """The frames before that any grain may read, and the sound after them."""
        if self._stop + len(sound) > len(self._heard):
            # With room for more, so that what is remembered is moved seldom: it is longer than many sounds together.
            room = np.zeros(max(self._reach // 2, len(sound)))
            self._heard = np.concatenate((self._heard[self._stop - self._reach : self._stop], room))
            self._stop = self._reach
        first, self._stop = self._stop, self._stop + len(sound)
        self._heard[first : self._stop] = sound
        return self._heard[first - self._reach : self._stop]

    def _read(self, heard: Floats, out: Floats, late: int) -> None:
        """Adds the grains that begin `late` frames into a grain's length: each is a slice with steps of `factor`."""
        length = len(self._window)
        done = 0
        while done < len(out):
            within = (self._frame + done - late) % length
            frames = min(length - within, len(out) - done)
            first = self._reach + done - (self._factor - 1) * (length - within)
            grain = heard[first : first + (frames - 1) * self._factor + 1 : self._factor]
            out[done : done + frames] += grain * self._window[within : within + frames]
            done += frames
