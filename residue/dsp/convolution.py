"""Convolution with a long response, in partitions at fixed places of the stream.

Source: overlap-save in partitions (Stockham, AFIPS Conf Proc 28 (1966) 229-233), a short size for the beginning of the
response and a long one for the rest (Gardner, J Audio Eng Soc 43 (1995) 127-136). Which frames are transformed
together is counted from the first frame of the stream, and never depends on the blocks.
"""

from __future__ import annotations

import numpy as np

from residue.dsp.exact import Floats
from residue.dsp.fourier import Spectrum, signal_of, spectrum_of

SHORT, LONG = 1024, 8192
"""The sizes of the partitions in frames: SHORT for the first LONG frames of a response, LONG for the rest."""


class Convolution:
    """Convolves (channels, frames) with a response (channels, taps).

    Where one of them has a single channel, that channel serves all of the other. The output is `short` frames late. It
    does not depend on how the stream is cut into blocks.
    """

    def __init__(self, response: Floats, channels: int, *, short: int = SHORT, long: int = LONG) -> None:
        outputs = max(len(response), channels)
        self._head = _Uniform(response[:, :long], channels, short)
        self._tail = _Uniform(response[:, long:], channels, long) if response.shape[1] > long else None
        self._short, self._long = short, long
        self._pending = np.zeros((channels, 0))
        self._ready = np.zeros((outputs, short))
        self._long_block = np.zeros((channels, long))
        self._from_tail = np.zeros((outputs, long))
        self._at = 0  # counted within the long block

    def __call__(self, block: Floats) -> Floats:
        """The output, (outputs, frames)."""
        pending = np.concatenate((self._pending, block), axis=1)
        whole = pending.shape[1] // self._short * self._short
        made = [self._partition(pending[:, at : at + self._short]) for at in range(0, whole, self._short)]
        self._pending = pending[:, whole:]
        ready = np.concatenate((self._ready, *made), axis=1)
        self._ready = ready[:, block.shape[1] :]
        return ready[:, : block.shape[1]]

    def _partition(self, block: Floats) -> Floats:
        """The output, (outputs, short), for as many frames of input."""
        out = self._head(block)
        if self._tail is None:
            return out
        here = slice(self._at, self._at + self._short)
        out = out + self._from_tail[:, here]
        self._long_block[:, here] = block
        self._at = here.stop % self._long
        if not self._at:
            self._from_tail = self._tail(self._long_block)
        return out


class _Uniform:
    """Overlap-save with partitions of one size: for each block of that size, the convolution over it."""

    def __init__(self, response: Floats, channels: int, size: int) -> None:
        count = -(-response.shape[1] // size)
        taps = np.zeros((len(response), count, 2 * size))
        for number in range(count):
            part = response[:, number * size : (number + 1) * size]
            taps[:, number, : part.shape[1]] = part
        re, im = spectrum_of(taps)
        self._parts = [(re[:, number].copy(), im[:, number].copy()) for number in range(count)]
        self._before = np.zeros((channels, size))
        self._heard: list[Spectrum] = []

    def __call__(self, block: Floats) -> Floats:
        """The output, (outputs, size), for as many frames of input."""
        size = block.shape[1]
        heard = spectrum_of(np.concatenate((self._before, block), axis=1))
        self._before = block.copy()
        self._heard = [(heard[0].copy(), heard[1].copy()), *self._heard[: len(self._parts) - 1]]
        re, im = np.zeros(1), np.zeros(1)
        for (x_re, x_im), (h_re, h_im) in zip(self._heard, self._parts, strict=False):
            re = re + (x_re * h_re - x_im * h_im)
            im = im + (x_re * h_im + x_im * h_re)
        return signal_of((re, im))[:, size:]
