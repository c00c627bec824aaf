"""New streams of events made of given ones."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from residue.dsp.switching import Bools
from residue.mapping.signals import Events


def chosen(events: Events, passes: Sequence[bool] | Bools) -> Events:
    """The events for which `passes` is true."""
    which = np.asarray(passes, np.bool_)
    return Events(events.frames[which], events.values[which])


def revalued(events: Events, values: Sequence[float]) -> Events:
    """The same moments with other values, one for each event."""
    return Events(events.frames, np.array(values, np.float64))


def listed(happened: Sequence[tuple[int, float]]) -> Events:
    """Events from (frame, value), ascending."""
    return Events(np.array([frame for frame, _ in happened], np.int64), np.array([value for _, value in happened]))
