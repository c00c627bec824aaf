"""Limits how often a sender may make a request."""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Callable

PER_S = 50.0
"""The requests a second that one sender may make in the long run: a fader on a tablet sends about so many."""
BURST = 100.0
MOST_SENDERS = 256
ALL_PER_S = 500.0
ALL_BURST = 1_000.0
"""For all senders together: their addresses can be forged."""
_ALL = ""


class Allowance:
    """A bucket of `burst` turns for each sender, refilled `per_s` times a second, and one for all (token bucket)."""

    def __init__(
        self,
        monotonic_s: Callable[[], float],
        *,
        per_s: float = PER_S,
        burst: float = BURST,
        all_per_s: float = ALL_PER_S,
        all_burst: float = ALL_BURST,
    ) -> None:
        self._monotonic_s = monotonic_s
        self._of_one = per_s, burst
        self._of_all = all_per_s, all_burst
        self._buckets: OrderedDict[str, tuple[float, float]] = OrderedDict()

    def take(self, sender: str) -> bool:
        """Whether this sender may make one more request now."""
        return self._take(sender, *self._of_one) and self._take(_ALL, *self._of_all)

    def _take(self, whose: str, per_s: float, burst: float) -> bool:
        now_s = self._monotonic_s()
        left, since_s = self._buckets.pop(whose, (burst, now_s))
        left = min(burst, left + (now_s - since_s) * per_s)
        allowed = left >= 1.0
        self._buckets[whose] = (left - allowed, now_s)
        if len(self._buckets) > MOST_SENDERS:
            self._buckets.popitem(last=False)
        return allowed
