"""How often anybody may ask."""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Callable

PER_S = 50.0
"""Questions a second that one sender may put in the long run: a fader on a tablet sends about so many."""
BURST = 100.0
MOST_SENDERS = 256
ALL_PER_S = 500.0
ALL_BURST = 1_000.0
"""For all senders together: their addresses can be forged."""
_ALL = ""


class Allowance:
    """A bucket of BURST questions for each sender, refilled PER_S times a second, and one for all (token bucket)."""

    def __init__(self, monotonic_s: Callable[[], float]) -> None:
        self._monotonic_s = monotonic_s
        self._buckets: OrderedDict[str, tuple[float, float]] = OrderedDict()

    def take(self, sender: str) -> bool:
        """Whether this sender may put one more question now."""
        return self._take(sender, PER_S, BURST) and self._take(_ALL, ALL_PER_S, ALL_BURST)

    def _take(self, whose: str, per_s: float, burst: float) -> bool:
        now_s = self._monotonic_s()
        left, since_s = self._buckets.pop(whose, (burst, now_s))
        left = min(burst, left + (now_s - since_s) * per_s)
        allowed = left >= 1.0
        self._buckets[whose] = (left - allowed, now_s)
        if len(self._buckets) > MOST_SENDERS:
            self._buckets.popitem(last=False)
        return allowed
