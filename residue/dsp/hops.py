"""A stream in hops of equal length, counted from its first value, so that the result does not depend on the blocks."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from residue.dsp.exact import Floats


def means(hops: Floats) -> Floats:
    """The mean of each stream over each hop, (streams, hops), of (streams, hops, frames)."""
    found: Floats = np.add.reduce(hops, axis=2) / hops.shape[2]
    return found


class HopByHop:
    """Reads streams hop by hop, and holds each reading until the next hop is whole.

    read: takes the mean of each stream over a hop, (streams,), and gives the readings, (readings,). first: the readings
    until the first hop is whole. of: what is read of each hop in the place of the means.
    """

    def __init__(
        self, hop: int, read: Callable[[Floats], Floats], first: Floats, of: Callable[[Floats], Floats] = means
    ) -> None:
        self._hop, self._read, self._of = hop, read, of
        self._waiting: Floats | None = None
        self._held = np.array(first, np.float64)

    def __call__(self, streams: Floats) -> Floats:
        """The readings, (readings, frames), for (streams, frames).

        A new reading starts at the value that completes a hop.
        """
        waiting = streams[:, :0] if self._waiting is None else self._waiting
        waited = waiting.shape[1]
        known = np.concatenate((waiting, streams), axis=1)
        count = known.shape[1] // self._hop
        hops = np.ascontiguousarray(known[:, : count * self._hop]).reshape(len(known), count, self._hop)
        of_each = self._of(hops)
        readings = [self._held, *(np.asarray(self._read(of_each[:, hop])) for hop in range(count))]
        self._held, self._waiting = readings[-1], known[:, count * self._hop :].copy()
        at = (waited + np.arange(1, streams.shape[1] + 1)) // self._hop
        held: Floats = np.stack(readings, axis=1)[:, at]
        return held
