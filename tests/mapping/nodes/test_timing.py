"""A steady pulse, and events that wait for one."""

from __future__ import annotations

from typing import Any

import msgspec
import numpy as np
import pytest

from residue.mapping.nodes import KINDS
from residue.mapping.signals import AUDIO_RATE_HZ, Events
from tests.mapping.single import run, ticks


def pulse(seconds: float, controls: Any = None, **parameters: Any) -> Events:
    frames = round(seconds * AUDIO_RATE_HZ)
    cuts = range(1_000, frames, 48_000)
    found = run(msgspec.convert(parameters, KINDS["tempo"]), {}, frames, cuts, controls)
    assert isinstance(found, Events)
    return found


@pytest.mark.parametrize(
    ("beats_per_minute", "divide", "period"), [(120.0, 1, 24_000), (90.0, 4, 8_000), (0.1, 64, 450_000)]
)
def test_a_tempo_of_whole_frames_keeps_to_the_frame(beats_per_minute: float, divide: int, period: int) -> None:
    """60 s over the pulses in a minute; ten minutes of it."""
    found = pulse(600.0, beats_per_minute=beats_per_minute, divide=divide)
    assert found.frames.tolist() == list(range(0, 600 * AUDIO_RATE_HZ, period))
    assert found.values.tolist() == [0.0, *[period / AUDIO_RATE_HZ] * (len(found.frames) - 1)]


def test_another_tempo_is_kept_on_the_mean() -> None:
    found = pulse(600.0, beats_per_minute=71.3)
    assert len(found.frames) == 713
    assert np.abs(found.frames - np.arange(713) * 60.0 / 71.3 * AUDIO_RATE_HZ).max() <= 1.0


def test_a_driven_tempo_turns_as_its_integral_says() -> None:
    """From 60 to 120 beats a minute in 10 s in a straight line: 15 beats, beat n at 10 (sqrt(1 + 0.2 n) - 1) s."""
    found = pulse(10.0, {"beats_per_minute": np.linspace(60.0, 120.0, ticks(10 * AUDIO_RATE_HZ))})
    expected_s = 10.0 * (np.sqrt(1.0 + 0.2 * np.arange(15)) - 1.0)
    assert found.frames[:15] / AUDIO_RATE_HZ == pytest.approx(expected_s, abs=0.002)


def brought(frames: list[int], values: list[float], pulses: list[int], **parameters: Any) -> list[tuple[int, float]]:
    node = msgspec.convert({"input": "a", "pulse": "b", **parameters}, KINDS["on_pulse"])
    inputs = {
        "input": Events(np.array(frames, np.int64), np.array(values)),
        "pulse": Events(np.array(pulses, np.int64), np.ones(len(pulses))),
    }
    found = run(node, inputs, 1_000, [50, 100, 101, 290])
    assert isinstance(found, Events)
    return list(zip(found.frames.tolist(), found.values.tolist(), strict=True))


def test_an_event_waits_for_the_next_pulse_and_passes_with_one_at_its_moment() -> None:
    assert brought([10, 200, 350], [1.0, 2.0, 3.0], [100, 200, 300]) == [(100, 1.0), (200, 2.0)]


@pytest.mark.parametrize(("keep", "value"), [("first", 2.0), ("last", 1.0), ("highest", 3.0)])
def test_of_several_that_wait_one_passes(keep: str, value: float) -> None:
    assert brought([10, 20, 30], [2.0, 3.0, 1.0], [100, 200], keep=keep) == [(100, value)]


def test_an_event_that_is_hardly_late_does_not_wait() -> None:
    late_s = 20 / AUDIO_RATE_HZ
    assert brought([115, 118, 221], [1.0, 2.0, 3.0], [100, 200, 300], late_s=late_s) == [
        (115, 1.0),
        (200, 2.0),
        (300, 3.0),
    ]
    # One that waited has passed on the pulse: the next one waits, however little it is late.
    assert brought([90, 105], [1.0, 2.0], [100, 200], late_s=late_s) == [(100, 1.0), (200, 2.0)]
