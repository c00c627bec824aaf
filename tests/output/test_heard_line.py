from __future__ import annotations

import numpy as np
import pytest

from residue.output.heard_line import FEWEST, HeardLine
from residue.output.sink import Queued

RATE_HZ = 48_000
QUEUED_S = 0.4


class Device:
    """A device whose first frame is heard at a known moment, and whose readings are late by what a test says.

    late_s: it told this at the last end of a step, so long before it was asked. held_up_s: its answer took so long.
    """

    def __init__(self, slow: float = 0.0) -> None:
        self.line, self._slow, self._frames, self.begins_s = HeardLine(), slow, 0, 5_000.0

    def read(self, late_s: float, held_up_s: float = 0.0) -> None:
        self._frames += 4_800
        heard_s = self.begins_s + self._frames / RATE_HZ * (1.0 + self._slow)
        asked_s = heard_s - QUEUED_S + late_s
        at_s = asked_s + held_up_s
        self.line.take(4_800, Queued(asked_s=asked_s, at_s=at_s, queued_frames=QUEUED_S * RATE_HZ))

    @property
    def truly_s(self) -> float:
        """When the next frame is heard."""
        return self.begins_s + self._frames / RATE_HZ * (1.0 + self._slow)

    def begin(self, late_s: float = 0.0) -> None:
        """Until its readings count."""
        while not len(self.line):
            self.read(late_s)


def test_what_a_device_tells_before_it_plays_does_not_count() -> None:
    """Its first readings were 5 and 20 ms early here, from before it had begun; the earliest of 20 s would be these."""
    device = Device()
    for late_s in (-0.02, -0.005):
        device.read(late_s)
    device.begin()
    for _ in range(FEWEST):
        device.read(0.0)
    assert device.line.next_s() == pytest.approx(device.truly_s, abs=1e-6)
    device.line.forget()
    for late_s in (-0.02, -0.005):
        device.read(late_s)
    assert len(device.line) == 0, "after a gap it begins anew"
    device.begin()
    assert device.line.next_s() == pytest.approx(device.truly_s, abs=1e-6)


def test_two_early_readings_that_lie_near_each_other_tell_no_slope() -> None:
    """The earliest of one stretch is its last, that of the next its first, a millisecond from it."""
    device = Device()
    device.begin(0.002)
    for number in range(420 - len(device.line)):
        device.read({198: 0.001, 200: 0.0}.get(number, 0.002))
    assert abs(device.line.next_s() - device.truly_s) < 0.003


def test_the_earliest_of_the_readings_counts() -> None:
    device = Device()
    for late_s in np.random.default_rng(1).exponential(0.004, 400):
        device.read(0.0, float(late_s))
    assert 0.0 <= device.line.next_s() - device.truly_s < 0.0005


def test_a_server_that_hands_on_in_pieces_is_seen_through() -> None:
    """Its ends come 1000 ppm later than those of our blocks, again and again within 20 s, as PulseAudio's did here."""
    device = Device()
    off = []
    device.begin()
    for number in range(3_000):
        device.read(number % 200 * 0.0001)
        off.append(device.line.next_s() - device.truly_s)
    assert max(off[-1_500:]) < 0.0002


@pytest.mark.parametrize("slow", [-80e-6, 120e-6])
def test_the_slope_is_found_through_late_readings(slow: float) -> None:
    device, chance = Device(slow), np.random.default_rng(4)
    for _ in range(3_000):
        device.read(0.0, float(chance.exponential(0.002)))
    assert device.line.slope == pytest.approx(slow, abs=1e-6)
    assert device.line.next_s() == pytest.approx(device.truly_s, abs=0.0001)


def test_a_slope_of_before_is_known_from_the_first_readings_on() -> None:
    device = Device(150e-6)
    device.line = HeardLine(150e-6)
    for _ in range(150):
        device.read(0.0)
    assert device.line.next_s() == pytest.approx(device.truly_s, abs=1e-5)


def test_few_readings_count_while_the_drift_is_not_known() -> None:
    device = Device(100e-6)
    for _ in range(60):
        device.read(0.0)
    assert abs(device.line.next_s() - device.truly_s) <= 100e-6 * FEWEST * 0.1


@pytest.mark.parametrize("still_s", [0.009, 0.02, 0.3])
def test_a_device_that_stood_still_is_noticed_at_once_and_begins_anew(still_s: float) -> None:
    """One with steps of 10 ms, as a sound server has, whose own card ran dry; nothing else tells of it."""
    device = Device()
    device.begin()
    late_s = [number * 0.6180339887 % 1.0 * 0.01 for number in range(310)]
    for one in late_s[:300]:
        device.read(one)
    device.begins_s += still_s
    for one in late_s[300:]:
        if not len(device.line):
            break
        device.read(one)
    assert len(device.line) == 0
    device.begin()
    for _ in range(FEWEST):
        device.read(0.0)
    assert device.line.next_s() == pytest.approx(device.truly_s, abs=1e-6)


def test_answers_that_are_held_up_are_no_device_that_stood_still() -> None:
    """A machine that does something else for half a second, thirty times in a row."""
    device = Device()
    device.begin()
    for held_up_s in [0.0] * 300 + [0.5] * 30 + [0.0] * 30:
        device.read(0.0, held_up_s)
        assert len(device.line) > 0
    assert device.line.next_s() == pytest.approx(device.truly_s, abs=1e-6)


def test_what_was_forgotten_does_not_count() -> None:
    device = Device()
    device.begin()
    device.begins_s += 0.01
    device.line.forget()
    device.begin()
    assert device.line.next_s() == pytest.approx(device.truly_s, abs=1e-6)
    assert len(device.line) == 1
