"""A performance held in memory reads as one from a bag does."""

from __future__ import annotations

import numpy as np
import pytest

from residue.archive.in_memory import InMemoryPerformance
from residue.mapping.node import Source
from residue.mapping.signals import Events, Kind, Span

PERFORMANCE = InMemoryPerformance(
    frames=240,
    slow={"breath": np.arange(10.0)},
    fast={"arm": np.arange(240.0)},
    events={"beats": Events(np.array([0, 100, 200]), np.array([0.0, 0.8, 0.9]))},
)


def read(source: Source, name: str, kind: Kind, span: Span) -> object:
    signal = source.channel(name, kind)(span)
    assert not isinstance(signal, Events)
    return signal.tolist()


def test_spans_of_any_place_are_read_and_nothing_is_beyond_the_end() -> None:
    source: Source = PERFORMANCE
    assert read(source, "breath", Kind.SLOW, Span(1, 49)) == [1.0, 2.0]  # ticks stand at frames 24 and 48
    assert read(source, "breath", Kind.SLOW, Span(216, 300)) == [9.0, 0.0, 0.0, 0.0]
    assert read(source, "arm", Kind.FAST, Span(238, 242)) == [[238.0, 239.0, 0.0, 0.0]]
    beats = source.channel("beats", Kind.EVENTS)(Span(100, 200))
    assert isinstance(beats, Events)
    assert beats.frames.tolist() == [100]


def test_a_channel_that_is_not_there_is_no_channel() -> None:
    with pytest.raises(KeyError):
        PERFORMANCE.channel("arm", Kind.SLOW)
