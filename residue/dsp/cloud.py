"""A cloud of grains: short windowed pieces of the input's past, read at any speed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from residue.dsp import kernel
from residue.dsp.delay import put_round
from residue.dsp.exact import SINE_ROW, TURN, Floats, cosine
from residue.dsp.filters import SosFilter
from residue.dsp.resampling import cubic
from residue.dsp.varispeed import ONE, lowpass_to_raise, places

MOST_AT_ONCE = 64
"""The most grains that sound at once; one more is left out, so that the cost is bounded."""
_PIECE_FRAMES = 4096
"""At most so many frames are taken in before the grains over them are read."""
_MARGIN = 3
"""Frames that a cubic needs on each side beyond the two that it lies between."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Grain:
    """A grain to come.

    The frame at which it begins, its length, and how far its end lies back at that moment, all in frames. step: the
    frames of the past for each frame of output, in 2**-32. gains: one for each output.
    """

    frame: int
    length: int
    back: int
    step: int
    gains: tuple[float, ...]

    @property
    def stop(self) -> int:
        """The frame at which it has ended."""
        return self.frame + self.length

    @property
    def reach(self) -> int:
        """The number of frames of the past that it reads."""
        return (self.length * self.step >> 32) + 2 * _MARGIN


class Cloud:
    """Remembers the last `memory` frames of a sound, and plays grains of them; silence before.

    A grain that asks for an older place begins at the oldest frame that is remembered. A sound that a grain raises is
    low-passed before, an octave at a time, so that nothing folds back. longest: the most frames of a grain. highest:
    its greatest step.
    """

    def __init__(self, memory: int, *, longest: int, highest: int, rate_hz: float) -> None:
        self._memory = memory
        octaves = _octaves(highest)
        self._ring = np.zeros((octaves + 1, memory + longest + _PIECE_FRAMES + 2 * _MARGIN))
        cleaning = [lowpass_to_raise(octave, rate_hz) for octave in range(1, octaves + 1)]
        self._clean = SosFilter(np.stack(cleaning)) if cleaning else None
        self._heard = 0
        self._coming: list[Grain] = []
        self._sounding: list[tuple[Grain, int]] = []

    def begin(self, grains: Sequence[Grain]) -> None:
        """Adds grains to come, in the order of their frames. None begins before the next frame to be played.

        A grain that would read more than the memory, and so what is not heard yet, becomes shorter.
        """
        self._coming += [self._fitting(grain) for grain in grains]

    def __call__(self, sound: Floats | None, first: int, out: Floats) -> None:
        """Adds the grains from the frame `first` on to `out`, (outputs, frames) in C order.

        sound: (frames,), which is remembered; with None the memory stays as it is.
        """
        for start in range(0, out.shape[1], _PIECE_FRAMES):
            stop = min(start + _PIECE_FRAMES, out.shape[1])
            heard = self._heard
            if sound is not None:
                self._remember(sound[start:stop])
            self._start(first + start, first + stop, heard=heard, goes_on=sound is not None)
            for grain, position in self._sounding:
                self._add(grain, position, out, first=first, start=start, stop=stop)
            self._sounding = [one for one in self._sounding if one[0].stop > first + stop]

    def _fitting(self, grain: Grain) -> Grain:
        most = self._memory * ONE // grain.step + 1  # the length may have been rounded up
        return grain if grain.length <= most else replace(grain, length=most)

    def _remember(self, piece: Floats) -> None:
        at = self._heard % self._ring.shape[1]
        cleaned = () if self._clean is None else self._clean(piece)
        for row, heard in zip(self._ring, (piece, *cleaned), strict=True):
            put_round(row, at, heard)
        self._heard += len(piece)

    def _start(self, first: int, stop: int, *, heard: int, goes_on: bool) -> None:
        """Begins the grains of these frames: the place of each in the memory follows from its own first frame."""
        while self._coming and self._coming[0].frame < stop:
            grain = self._coming.pop(0)
            if len([one for one, _ in self._sounding if one.stop > grain.frame]) < MOST_AT_ONCE:
                now = heard + (grain.frame - first if goes_on else 0)
                back = min(grain.back + grain.reach, self._memory)
                self._sounding.append((grain, now - back + _MARGIN))

    def _add(self, grain: Grain, position: int, out: Floats, *, first: int, start: int, stop: int) -> None:
        """Adds the part of a grain that lies in the frames start, …, stop - 1 of `out`, which begins with `first`."""
        begin, stop = max(grain.frame, first + start), min(grain.stop, first + stop)
        if begin >= stop:
            return
        row = self._ring[_octaves(grain.step)]
        if kernel.COMPILED:
            kernel.add_grain(
                out,
                grain.gains,
                ring=row,
                position=position,
                within=begin - grain.frame,
                step=grain.step,
                first=begin - first,
                count=stop - begin,
                window=grain.length,
                coefficients=SINE_ROW,
            )
            return
        within = np.arange(begin - grain.frame, stop - grain.frame)
        ahead, share = places(within, grain.step)
        first_read = position + int(ahead[0])
        if grain.step == ONE:
            read = _stretch(row, first_read, len(within))
        else:
            at = ahead - ahead[0]
            heard = _stretch(row, first_read - 1, int(at[-1]) + 4)
            read = cubic(heard[at], heard[at + 1], heard[at + 2], heard[at + 3], share)
        shaped = read * _window(within, grain.length)
        for channel, gain in zip(out, grain.gains, strict=True):
            channel[begin - first : stop - first] += shaped * gain


def _stretch(ring: Floats, first: int, frames: int) -> Floats:
    """Some frames of a ring, no more than it holds, in their order."""
    at = first % len(ring)
    whole = ring[at : at + frames]
    return whole if len(whole) == frames else np.concatenate((whole, ring[: frames - len(whole)]))


def _octaves(step: int) -> int:
    """The number of octaves by which a grain is raised, rounded up."""
    return max(-(-step // ONE) - 1, 0).bit_length()


def _window(frames: np.ndarray, length: int) -> Floats:
    """Some frames of the Hann window (Blackman and Tukey 1958, after von Hann) of a length."""
    phases = (2 * frames + 1).astype(np.uint64) * np.uint64(TURN // (2 * length))
    return 0.5 - 0.5 * cosine(phases)
