"""A performance held in memory: for tests, and for synthetic sounds."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from residue.archive.recorded import EventsRecording, FastRecording, SlowRecording
from residue.mapping.node import Reader
from residue.mapping.signals import FRAMES_PER_TICK, Events, Kind


@dataclass(frozen=True)
class InMemoryPerformance:
    """A source whose channels are arrays: (ticks,) for slow, (frames,) for fast, Events for events."""

    frames: int
    slow: Mapping[str, NDArray[np.float64]] = field(default_factory=dict)
    fast: Mapping[str, NDArray[np.float64]] = field(default_factory=dict)
    events: Mapping[str, Events] = field(default_factory=dict)

    def channel(self, name: str, kind: Kind) -> Reader:
        """The channel as the kind of signal asked for; KeyError where it does not exist."""
        readers: Mapping[Kind, Mapping[str, Reader]] = {
            Kind.SLOW: {
                name: SlowRecording(values, ends_early=len(values) * FRAMES_PER_TICK < self.frames)
                for name, values in self.slow.items()
            },
            Kind.FAST: {
                name: FastRecording(values, ends_early=len(values) < self.frames) for name, values in self.fast.items()
            },
            Kind.EVENTS: {name: EventsRecording(events) for name, events in self.events.items()},
        }
        return readers[kind][name]
