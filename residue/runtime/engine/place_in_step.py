"""The place of a turn in a room in step: which block of a performance is due at a hop of the clock."""

from __future__ import annotations

from collections.abc import Callable

from residue.loudness.meters.hops import HOP_FRAMES, HOP_S
from residue.mapping.playback import Playable

CATCH_UP_SHARE = 0.5
"""A turn that is late is stepped silently for so much of the time that a block lasts."""


class PlaceInStep:
    """Holds a turn back until its next block is due, and steps it silently where it is late.

    first_hop: the hop of the clock at which its first frame is heard.
    """

    def __init__(self, first_hop: int, monotonic_s: Callable[[], float]) -> None:
        self._first_hop = first_hop
        self._monotonic_s = monotonic_s
        self._in_place = False
        self._joined = False

    def reached(self, playback: Playable, hop: int | None, began_s: float) -> bool:
        """Whether the next block of the playback is to be heard at this hop of the clock.

        hop: None while the sink is out of step; what sounds then plays on until it has faded out. began_s: when the
        work on this block began, on the monotonic clock.
        """
        if hop is None:
            return self._in_place
        due = hop - self._first_hop
        while playback.position // HOP_FRAMES < due:
            if self._monotonic_s() - began_s > CATCH_UP_SHARE * HOP_S:
                break
            if playback.step(HOP_FRAMES).ended:
                return True
            self._in_place = False
        was, self._in_place = self._in_place, playback.position // HOP_FRAMES == due
        self._joined = self._in_place and not was and playback.position > 0
        return self._in_place

    def take_joined(self) -> bool:
        """Whether it came to its place in the middle of a performance since the last call."""
        joined, self._joined = self._joined, False
        return joined
