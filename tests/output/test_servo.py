from __future__ import annotations

import numpy as np
import pytest

from residue.output.servo import CHANGE_PPM_PER_S, MOST_PPM, Servo

HOP_S = 0.1


def led(drift_ppm: float, late_s: float, seconds: float) -> tuple[list[float], list[float]]:
    """A device that is off by its drift, led by the servo: the skews and the speeds, hop by hop."""
    servo, late, speeds = Servo(), [late_s], [0.0]
    for _ in range(round(seconds / HOP_S)):
        servo.look(late[-1], HOP_S)
        late.append(late[-1] + (drift_ppm - servo.ppm) * 1e-6 * HOP_S)
        speeds.append(servo.ppm)
    return late, speeds


@pytest.mark.parametrize("drift_ppm", [-150.0, -50.0, 0.0, 50.0, 150.0])
def test_a_drifting_device_is_led_into_place(drift_ppm: float) -> None:
    late, speeds = led(drift_ppm, 0.0005, 600.0)
    assert abs(late[-1]) < 1e-6
    assert speeds[-1] == pytest.approx(drift_ppm, abs=0.1)
    assert np.abs(late[1_200:]).max() < 0.0002


def test_the_speed_moves_slowly_and_has_a_bound() -> None:
    _, speeds = led(1_000.0, 0.004, 120.0)
    assert np.abs(np.diff(speeds)).max() <= CHANGE_PPM_PER_S * HOP_S * (1.0 + 1e-9)
    assert max(speeds) <= MOST_PPM


def test_what_was_learned_of_the_device_is_kept() -> None:
    servo, late_s = Servo(), 0.0
    for _ in range(6_000):
        servo.look(late_s, HOP_S)
        late_s += (80.0 - servo.ppm) * 1e-6 * HOP_S
    servo.look(0.004, HOP_S)
    servo.begin()
    assert servo.ppm == pytest.approx(80.0, abs=2.0)
