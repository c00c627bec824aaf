"""A Fourier transform with the same bits on every machine: radix-2 butterflies written out in array operations.

Libraries choose the order of their operations, and fuse some of them, differently for each processor. Here the order of
all sums and products is fixed, and numpy's elementwise +, - and * round each of them by itself, whatever the
processor's width. Twiddle factors come from decimal arithmetic.
"""

from __future__ import annotations

from functools import cache

import numpy as np

from residue.dsp import exact
from residue.dsp.exact import Floats

Spectrum = tuple[Floats, Floats]
"""Real and imaginary parts, each (…, frequencies)."""


@cache
def _twiddles(size: int) -> Spectrum:
    """The cosine and the negated sine of k / size turns for k = 0, …, size / 2 - 1."""
    turns = [k / size for k in range(size // 2)]
    return np.array([exact.cos_turns(t) for t in turns]), np.array([-exact.sin_turns(t) for t in turns])


def transform(real: Floats, imaginary: Floats) -> Spectrum:
    """The discrete Fourier transform of (…, size), size a power of two; not scaled.

    Source: Cooley and Tukey, Math Comput 19 (1965) 297-301, decimation in frequency, in the self-sorting order of
    Stockham (from memory).
    """
    size, lead = real.shape[-1], real.shape[:-1]
    cos, sin = _twiddles(size)
    re, im, done = real.reshape(*lead, 1, size), imaginary.reshape(*lead, 1, size), 1
    while done < size:
        half = size // done // 2
        less_re, less_im = re[..., :half] - re[..., half:], im[..., :half] - im[..., half:]
        c, s = cos[::done], sin[::done]
        re, im = (
            np.concatenate((re[..., :half] + re[..., half:], less_re * c - less_im * s), axis=-2),
            np.concatenate((im[..., :half] + im[..., half:], less_re * s + less_im * c), axis=-2),
        )
        done *= 2
    return re.reshape(*lead, size), im.reshape(*lead, size)


def spectrum_of(signal: Floats) -> Spectrum:
    """The frequencies 0, …, size / 2 of a real signal (…, size)."""
    half = signal.shape[-1] // 2
    re, im = transform(signal, np.zeros_like(signal))
    return re[..., : half + 1], im[..., : half + 1]


def signal_of(spectrum: Spectrum) -> Floats:
    """The real signal (…, size) of the frequencies 0, …, size / 2."""
    re, im = spectrum
    size = 2 * (re.shape[-1] - 1)
    mirrored_re = np.concatenate((re, re[..., -2:0:-1]), axis=-1)
    mirrored_im = np.concatenate((-im, im[..., -2:0:-1]), axis=-1)
    value: Floats = transform(mirrored_re, mirrored_im)[0] / size
    return value
