"""Which sensors a recording names because nothing arrives from them."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from residue.live.messages import Arrival
from residue.live.source import SILENT_S, LiveSource
from residue.live.take import Take
from residue.mapping.signals import AUDIO_RATE_HZ, frame_at
from tests.live.fakes import Clock, FakeArrivals, FakeSound
from tests.live.stage import arm, brain, heart, installation, sensors_of

ARM, BRAIN, HEART = "forearm (input 2)", "o1 (/brain/o1)", "chest (/heart/beat)"


def source_of(folder: Path, sound: NDArray[np.float32], arrivals: Iterable[Arrival]) -> LiveSource:
    sensors, clock = sensors_of(folder), Clock()
    take = Take(folder / "performances" / "live", sensors, sensors.performance(datetime(2026, 3, 1, 20, tzinfo=UTC)))
    coming = FakeArrivals(clock, sorted(arrivals, key=lambda one: one.at_s))
    return LiveSource(sensors, {}, FakeSound(sound, clock), coming, take, clock.monotonic_s)


def received(source: LiveSource, seconds: float) -> LiveSource:
    while source.received < frame_at(seconds):
        source.receive(source.received + 4_800)
    return source


@pytest.mark.parametrize("before_s", [0.0, 0.5, SILENT_S])
def test_nothing_is_named_before_a_sensor_has_had_time(tmp_path: Path, before_s: float) -> None:
    source = source_of(installation(tmp_path), np.zeros((2, 0), np.float32), [])
    assert received(source, before_s).silent == []


def test_a_sensor_from_which_nothing_arrives_is_named_with_its_place(tmp_path: Path) -> None:
    source = source_of(installation(tmp_path), np.zeros((2, 0), np.float32), heart(6.0))
    assert received(source, 5.0).silent == [ARM, BRAIN]
    assert source.never_heard == [ARM, BRAIN]


def test_a_sensor_that_falls_silent_is_named_until_it_comes_back(tmp_path: Path) -> None:
    moving, still = arm(6.0), np.zeros((2, 6 * AUDIO_RATE_HZ), np.float32)
    sound = np.concatenate([moving, still, moving], axis=1)
    source = source_of(installation(tmp_path), sound, [*brain(20.0), *heart(20.0)])
    assert received(source, 6.0).silent == []
    assert received(source, 11.0).silent == [ARM]
    assert received(source, 13.0).silent == []
    assert source.never_heard == []


def test_an_input_that_the_device_lost_counts_as_silent(tmp_path: Path) -> None:
    lost = np.full((2, 6 * AUDIO_RATE_HZ), np.nan, np.float32)
    source = source_of(installation(tmp_path), lost, [*brain(20.0), *heart(20.0)])
    assert received(source, 5.0).silent == [ARM]
