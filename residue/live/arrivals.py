"""Converts messages to the time of the performance: samples on a steady grid, beats at their moment."""

from __future__ import annotations

import logging
import math
from collections import deque
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from residue.archive.performance import SECONDS_PER_UNIT
from residue.archive.readers.beats import LONGEST_INTERVAL_S
from residue.live.sensors import Sensor
from residue.mapping.signals import AUDIO_RATE_HZ, Events, Span

logger = logging.getLogger(__name__)

CUSHION_S = 0.2
"""Samples are used only when so much is ready, because networks are uneven; our choice where sensors.toml says nothing.
"""
_WRONG_RATE = 0.02
"""A stated rate may be wrong by this share without a warning."""
_JUDGED_S = 20.0


class SampleQueue:
    """Samples of one address, given at the stated rate.

    A sensor has a clock of its own. When its samples run out, NaN is given until the cushion is full again; when too
    many wait, the oldest are dropped and replaced by one NaN. Both are rare (a drift of 20 parts in a million uses up a
    cushion in three hours), and both are reported.
    """

    def __init__(self, name: str, rate_hz: int, cushion_s: float = CUSHION_S) -> None:
        self._name, self._rate_hz = name, rate_hz
        self._waiting: deque[float] = deque()
        self._cushion = math.ceil(cushion_s * rate_hz)
        self._filling = True
        self._given = self._came = 0
        self._began: int | None = None  # samples given before the first one came

    def put(self, numbers: tuple[float, ...]) -> None:
        """Appends samples that have arrived."""
        self._began = self._given if self._began is None else self._began
        self._came += len(numbers)
        self._waiting.extend(numbers)

    def take(self, count: int) -> NDArray[np.float32]:
        """The next `count` samples, NaN for missing ones."""
        if self._filling and len(self._waiting) >= self._cushion:
            self._filling = False
        if not self._filling and len(self._waiting) - count > 3 * self._cushion:
            self._catch_up(count)
        ready = 0 if self._filling else min(count, len(self._waiting))
        taken = [self._waiting.popleft() for _ in range(ready)]
        if ready < count and not self._filling:
            self._filling = True
            logger.warning("Channel %s has run out of samples.", self._name)
        self._given += count
        return np.array(taken + [math.nan] * (count - ready), np.float32)

    def _catch_up(self, count: int) -> None:
        surplus = len(self._waiting) - count - self._cushion
        for _ in range(surplus):
            self._waiting.popleft()
        self._waiting[0] = math.nan
        logger.warning("Channel %s: %d samples more than expected arrived and were dropped.", self._name, surplus)

    @property
    def wrong_rate(self) -> str | None:
        """A sentence on a wrong stated rate, when that is certain; else None."""
        if self._began is None:
            return None
        passed_s = (self._given - self._began) / self._rate_hz
        found_hz = (self._came - self._cushion) / passed_s if passed_s > _JUDGED_S else self._rate_hz
        if abs(found_hz - self._rate_hz) <= _WRONG_RATE * self._rate_hz:
            return None
        return f"Channel {self._name} sends about {found_hz:.1f} samples a second, not {self._rate_hz}"


@dataclass(frozen=True, slots=True)
class BeatMessage:
    """A beat, and the interval in seconds that ended with it (0 where that is not known)."""

    frame: int
    interval_s: float


class BeatQueue:
    """Beats of one address: a mapping.node.Reader of events."""

    def __init__(self, sensor: Sensor) -> None:
        self._scale = SECONDS_PER_UNIT[sensor.unit]
        self._beats: deque[BeatMessage] = deque()
        self._last: int | None = None

    def put(self, frame: int, numbers: tuple[float, ...]) -> BeatMessage:
        """Adds a beat at a frame, or at the first frame after the beat before."""
        frame = frame if self._last is None else max(frame, self._last + 1)
        interval_s = numbers[0] * self._scale if numbers else math.nan
        if not 0.0 < interval_s <= LONGEST_INTERVAL_S:
            interval_s = 0.0 if self._last is None else (frame - self._last) / AUDIO_RATE_HZ
        self._last = frame
        beat = BeatMessage(frame, round(interval_s, 9) if interval_s <= LONGEST_INTERVAL_S else 0.0)
        self._beats.append(beat)
        return beat

    def __call__(self, span: Span) -> Events:
        """The events within the span; those before it are forgotten."""
        within = []
        while self._beats and self._beats[0].frame < span.stop:
            within.append(self._beats.popleft())
        return Events(
            np.array([beat.frame for beat in within], np.int64), np.array([beat.interval_s for beat in within])
        )
