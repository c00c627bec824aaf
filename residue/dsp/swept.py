"""Butterworth filters whose cutoff moves from frame to frame.

A filter in direct form clicks when its coefficients change while it runs, and may even become unstable. Here the state
is that of two integrators, so any movement of the cutoff is safe. With a cutoff at rest the response is that of
residue.dsp.filters. Each state is a matrix times the state before. The frames are cut into chunks at fixed places of
the stream. The products of the matrices within a chunk are computed for all chunks at once; only the step from chunk to
chunk is a loop. Source: Zavalishin, The Art of VA Filter Design (2012), chapters 3 and 4; Simper, solving the
continuous SVF (2013); from memory, and tested against scipy's responses.
"""

from __future__ import annotations

from typing import Literal

import numpy as np
from numpy.typing import NDArray

from residue.dsp import exact
from residue.dsp.filters import SUBNORMAL_GUARD, butterworth_qs

Floats = NDArray[np.float64]
FilterSide = Literal["low", "high"]

CHUNK = 24
_HIGHEST = 0.49
"""A share of the rate: a higher cutoff counts as this one."""


def warped(cutoff_hz: Floats, rate_hz: float) -> Floats:
    """The prewarped cutoff, tan(pi cutoff_hz / rate_hz), elementwise."""
    turns = np.clip(cutoff_hz / rate_hz, 0.0, _HIGHEST) / 2.0
    phase = np.floor(turns * exact.TURN).astype(np.uint64)
    value: Floats = exact.sine(phase) / exact.cosine(phase)
    return value


class SweptFilter:
    """A Butterworth low-pass or high-pass over channels. The output does not depend on how the stream is cut."""

    def __init__(self, part: FilterSide, order: int, channels: int = 1) -> None:
        first_order = [_FirstOrder(part, channels)] if order % 2 else []
        self._sections = [_SecondOrder(part, q, channels) for q in butterworth_qs(order)] + first_order
        self._block = np.empty((channels, 0))  # frames of the chunk that is not complete
        self._cutoffs = np.empty(0)

    def __call__(self, block: Floats, cutoffs: Floats) -> Floats:
        """The filtered copy of (channels, frames); cutoffs: (frames,), as `warped` gives them."""
        held = self._block.shape[1]
        block = np.concatenate((self._block, block + SUBNORMAL_GUARD), axis=1)
        cutoffs = np.concatenate((self._cutoffs, cutoffs))
        complete = len(cutoffs) // CHUNK
        self._block, self._cutoffs = block[:, complete * CHUNK :], cutoffs[complete * CHUNK :]
        missing = -len(cutoffs) % CHUNK
        y = np.pad(block, ((0, 0), (0, missing))).reshape(len(block), -1, CHUNK)
        g = np.pad(cutoffs, (0, missing)).reshape(-1, CHUNK)
        for section in self._sections:
            y = section(y, g, complete)
        return y.reshape(len(block), -1)[:, held : len(cutoffs)]


class _SecondOrder:
    """A second-order section: two integrators, of which v1 is the band and v2 the low part."""

    def __init__(self, part: FilterSide, q: float, channels: int) -> None:
        self._part, self._damping = part, 1.0 / q
        self._states = [(0.0, 0.0)] * channels

    def __call__(self, x: Floats, g: Floats, complete: int) -> Floats:
        """Filters x, (channels, chunks, CHUNK), with g, (chunks, CHUNK); keeps the state after the complete chunks."""
        a = 1.0 / (1.0 + g * (g + self._damping))
        ga, gga = g * a, g * g * a
        steps = (2.0 * a - 1.0, -2.0 * ga, 2.0 * ga, 1.0 - 2.0 * gga)
        products = _products(*steps)
        y = np.empty_like(x)
        for channel, heard in enumerate(x):
            first, second, self._states[channel] = _states(
                steps, (2.0 * ga * heard, 2.0 * gga * heard), products, self._states[channel], complete
            )
            band = a * first + ga * (heard - second)
            low = second + g * band
            y[channel] = low if self._part == "low" else heard - self._damping * band - low
        return y


class _FirstOrder:
    """A first-order section: one integrator."""

    def __init__(self, part: FilterSide, channels: int) -> None:
        self._part = part
        self._states = [(0.0, 0.0)] * channels

    def __call__(self, x: Floats, g: Floats, complete: int) -> Floats:
        """As in the second-order section."""
        share = g / (1.0 + g)
        none = np.zeros_like(g)
        steps = (1.0 - 2.0 * share, none, none, none)
        products = _products(*steps)
        y = np.empty_like(x)
        for channel, heard in enumerate(x):
            held, _, self._states[channel] = _states(
                steps, (2.0 * share * heard, none), products, self._states[channel], complete
            )
            low = held + share * (heard - held)
            y[channel] = low if self._part == "low" else heard - low
        return y


Quartet = tuple[Floats, Floats, Floats, Floats]
"""The elements of matrices of two by two, row by row."""


def _products(a: Floats, b: Floats, c: Floats, d: Floats) -> Quartet:
    """The product of the matrices before each frame of its chunk; the last column is the product over the whole chunk.

    a, b, c, d: (chunks, CHUNK). The result is (chunks, CHUNK + 1), and its first column is unity.
    """
    chunks = len(a)
    p, q, r, s = (np.empty((chunks, CHUNK + 1)) for _ in range(4))
    p[:, 0], q[:, 0], r[:, 0], s[:, 0] = 1.0, 0.0, 0.0, 1.0
    for n in range(CHUNK):
        p[:, n + 1] = a[:, n] * p[:, n] + b[:, n] * r[:, n]
        q[:, n + 1] = a[:, n] * q[:, n] + b[:, n] * s[:, n]
        r[:, n + 1] = c[:, n] * p[:, n] + d[:, n] * r[:, n]
        s[:, n + 1] = c[:, n] * q[:, n] + d[:, n] * s[:, n]
    return p, q, r, s


def _states(
    steps: Quartet, inputs: tuple[Floats, Floats], products: Quartet, state: tuple[float, float], complete: int
) -> tuple[Floats, Floats, tuple[float, float]]:
    """The two states before each frame, (chunks, CHUNK), and those at the beginning of the first incomplete chunk."""
    a, b, c, d = steps
    chunks = len(a)
    first, second = np.zeros((chunks, CHUNK + 1)), np.zeros((chunks, CHUNK + 1))  # the part from the inputs alone
    for n in range(CHUNK):
        first[:, n + 1] = a[:, n] * first[:, n] + b[:, n] * second[:, n] + inputs[0][:, n]
        second[:, n + 1] = c[:, n] * first[:, n] + d[:, n] * second[:, n] + inputs[1][:, n]
    whole = [column[:, CHUNK].tolist() for column in (*products, first, second)]
    begins = [state]
    for p, q, r, s, one, other in zip(*whole, strict=True):
        x, y = begins[-1]
        begins.append((p * x + q * y + one, r * x + s * y + other))
    at = np.array(begins[:chunks]).reshape(-1, 2)
    by_first, by_second, too_by_first, too_by_second = (column[:, :CHUNK] for column in products)
    return (
        by_first * at[:, :1] + by_second * at[:, 1:] + first[:, :CHUNK],
        too_by_first * at[:, :1] + too_by_second * at[:, 1:] + second[:, :CHUNK],
        begins[complete],
    )
