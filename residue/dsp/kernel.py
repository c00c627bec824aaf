"""The two inner loops for which numpy has no exact operation: second-order sections and polyphase filters.

They are compiled from kernel.c when residue is installed. Without a compiler, scipy gives the same bits. It is not used
otherwise, since its import takes longer than the rest of a start.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

try:
    from residue.dsp import _kernel
except ImportError:
    COMPILED = False
else:
    COMPILED = True

Floats = NDArray[np.float64]


def sosfilt(sos: Floats, *, x: Floats, state: Floats) -> None:
    """Filter x in place, and move the state on: direct form II transposed.

    sos: (sections, 6), b0 b1 b2 1 a1 a2. x: (channels, frames). state: (channels, sections, 2). All of float64, in C
    order.
    """
    if COMPILED:
        _kernel.sosfilt(sos, x, state, len(sos), *x.shape)
    else:
        sosfilt_in_scipy(sos, x=x, state=state)


def sosfilt_in_scipy(sos: Floats, *, x: Floats, state: Floats) -> None:
    """The same as sosfilt, without a compiled kernel."""
    from scipy import signal

    if x.size:
        y, after = signal.sosfilt(sos, x, zi=state.transpose(1, 0, 2))
        x[:], state[:] = y, after.transpose(1, 0, 2)


@dataclass(frozen=True, slots=True)
class Polyphase:
    """A filter between two rates: makes `up` times as many samples, filters them, and keeps every `down`-th.

    phases: (up, taps of a phase), each from the last tap to the first.
    """

    up: int
    down: int
    phases: Floats

    def __call__(self, x: Floats, first: int, count: int) -> Floats:
        """(count,): the output from its `first`-th sample on. Samples before and after x are 0."""
        if not COMPILED:
            return self.in_scipy(x, first, count)
        y = np.empty(count)
        reach = self.phases.shape[1]
        _kernel.upfirdn(self.phases, np.ascontiguousarray(x), y, reach, self.up, self.down, first, len(x), count)
        return y

    def in_scipy(self, x: Floats, first: int, count: int) -> Floats:
        """The same as the call, without a compiled kernel."""
        from scipy import signal

        taps = self.phases[:, ::-1].T.ravel()
        y: Floats = signal.upfirdn(taps, x, self.up, self.down)[first : first + count]
        return np.pad(y, (0, count - len(y)))


def polyphase(taps: Floats, *, up: int, down: int = 1) -> Polyphase:
    """The filter with these taps, (taps,), at `up` times the rate of the input."""
    reach = -(-len(taps) // up)
    rows = np.pad(taps, (0, reach * up - len(taps))).reshape(reach, up)
    return Polyphase(up, down, np.ascontiguousarray(rows.T[:, ::-1]))
