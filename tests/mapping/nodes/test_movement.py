"""Movement of known size: a sensor that is turned, shaken, held still, taken off, or in another unit."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from residue.mapping.nodes import KINDS
from residue.mapping.signals import Events
from tests.mapping.single import read

Floats = NDArray[np.float64]
SECONDS = 20
T = np.arange(SECONDS * 2_000) / 2_000
RANDOM = np.random.default_rng(5)


def sensor(x: Any = 0.0, y: Any = 0.0, z: Any = 1.0, noise_g: float = 1e-3) -> Floats:
    """(3, ticks), with the noise of a usual sensor."""
    return np.stack([np.broadcast_to(one, T.shape) for one in (x, y, z)]) + RANDOM.normal(0.0, noise_g, (3, len(T)))


def reading(kind: str, acceleration: Floats, **parameters: Any) -> tuple[Floats, Floats]:
    node = KINDS[kind](x="x", y="y", z="z", **parameters)
    found = read(node, dict(zip("xyz", acceleration, strict=True)), acceleration.shape[1] * 24)
    assert isinstance(found.signal, np.ndarray)
    assert found.trust is not None
    return found.signal, found.trust


def test_energy_is_what_the_magnitude_has_above_one_g() -> None:
    """The mean of max(A sin, 0) is A / pi."""
    shaken = sensor(z=1.0 + 0.6 * np.sin(2 * np.pi * 2.0 * T), noise_g=1e-5)
    energy, trust = reading("movement", shaken)
    assert energy[-1] == pytest.approx(0.6 / np.pi, rel=1e-3)
    assert trust[-1] == 1.0
    in_m_s2, _ = reading("movement", 9.81 * shaken, one_g=9.81)
    assert in_m_s2 == pytest.approx(energy, abs=1e-12)


def test_jerk_is_the_change_of_the_acceleration() -> None:
    """Root mean square of A 2 pi f cos; a second-order Butterworth low-pass at 20 Hz takes nothing of 2 Hz."""
    jerk, _ = reading("movement", sensor(x=0.3 * np.sin(2 * np.pi * 2.0 * T), noise_g=1e-6), measure="jerk")
    assert jerk[-1] == pytest.approx(0.3 * 2 * np.pi * 2.0 / np.sqrt(2.0), rel=1e-3)


@pytest.mark.parametrize("degrees", [0.0, 10.0, 45.0, 90.0, 135.0, 180.0])
def test_tilt_is_the_angle_from_the_vertical(degrees: float) -> None:
    angle = np.radians(degrees)
    held = sensor(x=np.sin(angle) * np.cos(0.3), y=np.sin(angle) * np.sin(0.3), z=np.cos(angle), noise_g=1e-6)
    tilt, trust = reading("tilt", held)
    assert tilt[100] == pytest.approx(degrees, abs=0.01)  # it begins there, not at 0
    assert tilt[-1] == pytest.approx(degrees, abs=0.01)
    assert trust[-1] == 1.0


def test_tilt_is_not_known_while_the_sensor_falls_or_is_thrown() -> None:
    _, trust = reading("tilt", sensor(z=np.where(T < 10.0, 1.0, 2.0)), time_s=0.1)
    assert trust[19_000] == 1.0
    assert trust[21_000] == 0.0


def test_stillness_counts_the_seconds_since_the_last_movement() -> None:
    moved = sensor(x=np.where(np.abs(T - 5.0) < 1.0, 0.2 * np.sin(2 * np.pi * 3.0 * T), 0.0))
    still, trust = reading("stillness", moved)
    assert still[5 * 2_000] == 0.0
    assert still[-1] == pytest.approx(SECONDS - 7.0, abs=0.05)  # the window has forgotten a second after the movement
    assert trust[1_000] == 0.0
    assert trust[3_000] == 1.0


def test_a_jolt_now_and_then_is_no_step_and_a_walk_is_one_for_each() -> None:
    def steps(z: Floats) -> Events:
        found = read(KINDS["steps"](x="x", y="y", z="z"), dict(zip("xyz", sensor(z=z), strict=True)), len(T) * 24)
        assert isinstance(found.signal, Events)
        return found.signal

    at = np.array([2.0, 5.0, 9.5, 16.0])
    jolts = 1.0 + 0.8 * np.exp(-(((T[:, None] - at) / 0.05) ** 2)).sum(axis=1)
    assert len(steps(jolts).frames) == 0
    walk = steps(1.0 + 0.3 * np.where((T > 4.0) & (T < 16.0), np.sin(2 * np.pi * 1.8 * T), 0.0))
    assert len(walk.frames) == pytest.approx(22 - 2, abs=1)  # 22 peaks; where it breaks off may be another
    assert np.median(walk.values) == pytest.approx(1 / 1.8, abs=0.011)  # to a fiftieth of a second


UNTRUSTED = {
    "off": np.zeros((3, len(T))),
    "held by a cable that came out": sensor() * (T < 10.0) + sensor()[:, :1] * (T >= 10.0),
    "in m/s2 without one_g": 9.81 * sensor(),
    "without gravity": sensor(z=0.0),
}


@pytest.mark.parametrize("acceleration", UNTRUSTED.values(), ids=UNTRUSTED)
@pytest.mark.parametrize("kind", ["movement", "tilt", "stillness"])
def test_what_is_no_accelerometer_that_is_worn_is_not_trusted(kind: str, acceleration: Floats) -> None:
    _, trust = reading(kind, acceleration)
    assert trust[-1] == 0.0
