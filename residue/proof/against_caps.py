"""The level that a measuring microphone hears, against the caps of the room: visitors and all else included."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from math import inf

from residue.loudness.caps.caps import PLACE, Cap
from residue.loudness.meters.levels import db_of_power
from residue.proof.messages import RoomChange

MOST_WINDOWS = 2_880
"""What is remembered of windows of half a minute: a day, the longest window that a cap may have."""
OLD_S = 60.0
"""For so long after a window ended its end counts as now, until the next one is heard."""


@dataclass(frozen=True, slots=True)
class MeasuredCap:
    """level: over the window of the cap, up to the end of what was heard. limit: the one asked for, without margin."""

    name: str
    level: float
    limit: float
    unit: str

    @property
    def headroom_db(self) -> float:
        """The distance to the limit; below 0 above it."""
        return self.limit - self.level


@dataclass(frozen=True, slots=True)
class _Window:
    """powers: the mean power in it, by the quantity that a cap on it limits."""

    begin_s: float
    end_s: float
    powers: Mapping[str, float]


class AgainstCaps:
    """What was heard in windows that follow each other; time in which nothing was heard counts as silent."""

    def __init__(self) -> None:
        self._windows: deque[_Window] = deque(maxlen=MOST_WINDOWS)

    def take(self, heard: RoomChange, now_s: float, lasted_s: float) -> None:
        """A window that ends now; one that tells no level is left out. now_s: monotonic."""
        if heard.laeq_dbfs is not None and heard.lceq_dbfs is not None:
            begin_s = max(now_s - lasted_s, self._windows[-1].end_s if self._windows else -inf)
            powers = {"LAeq": 10.0 ** (heard.laeq_dbfs / 10.0), "LCeq": 10.0 ** (heard.lceq_dbfs / 10.0)}
            self._windows.append(_Window(begin_s, now_s, powers))

    def readings(self, caps: Sequence[Cap], offset_db: float, now_s: float) -> Iterator[MeasuredCap]:
        """Each cap on LAeq or LCeq at the visitor's place, in dB re 20 uPa.

        offset_db: from dBFS of the microphone to that.
        """
        end_s = max(now_s - OLD_S, self._windows[-1].end_s) if self._windows else now_s
        for cap in caps:
            if not cap.physical or cap.at != PLACE:
                continue
            energy = self._energy(cap.quantity.name, end_s - cap.window_s, end_s)
            if energy > 0.0:
                level = round(db_of_power(energy / cap.window_s) + offset_db, 1)
                yield MeasuredCap(cap.name, level, cap.limit + cap.margin_db, cap.unit)

    def _energy(self, quantity: str, begin_s: float, end_s: float) -> float:
        """0 for a quantity that is not heard."""
        return sum(
            one.powers.get(quantity, 0.0) * max(0.0, min(end_s, one.end_s) - max(begin_s, one.begin_s))
            for one in self._windows
        )
