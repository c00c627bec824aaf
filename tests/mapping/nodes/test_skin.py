"""Conductance and temperature of skin with a known answer: responses of known height, lines of known slope."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import signal, stats

from residue.mapping.node import Trusted
from residue.mapping.nodes import KINDS
from residue.mapping.signals import Events
from tests.mapping.single import read

Floats = NDArray[np.float64]
SECONDS = 90
T = np.arange(SECONDS * 2_000) / 2_000


def responses(at_s: list[float], heights_us: list[float], level_us: float = 5.0) -> Floats:
    """A level with responses upon it: a rise in 1 to 2 s, and a fall of some seconds (Bateman's function)."""
    after = np.maximum(T - np.array(at_s)[:, None], 0.0)
    shape = np.exp(-after / 2.0) - np.exp(-after / 0.75)
    shape /= shape.max(axis=1, keepdims=True)
    conductance: Floats = level_us + (np.array(heights_us)[:, None] * shape).sum(axis=0)
    return conductance


def reading(kind: str, values: Floats, **parameters: Any) -> Trusted:
    return read(KINDS[kind](input="a", **parameters), {"input": values}, len(values) * 24)


def test_each_response_is_an_event_with_its_amplitude() -> None:
    at_s, heights_us = [15.0, 30.0, 38.0, 55.0, 70.0], [0.3, 1.0, 0.5, 0.04, 0.1]
    found = reading("skin_responses", responses(at_s, heights_us)).signal
    assert isinstance(found, Events)
    assert len(found.frames) == 4  # 0.04 uS is below the smallest of 0.05
    late_s = found.frames / 48_000 - np.array([15.0, 30.0, 38.0, 70.0])
    assert (late_s > 1.0).all()
    assert (late_s < 4.0).all()
    # The third rides on what is left of the second; the low-pass at 1 Hz takes little.
    assert found.values == pytest.approx([0.3, 1.0, 0.5, 0.1], rel=0.07)


def test_a_level_that_rises_slowly_is_no_response() -> None:
    found = reading("skin_responses", 5.0 + 0.5 * np.sin(2 * np.pi * T / 80.0)).signal
    assert isinstance(found, Events)
    assert len(found.frames) == 0


def test_both_parts_together_are_the_input_and_the_level_begins_where_it_is() -> None:
    values = responses([20.0, 50.0], [0.5, 0.8])
    tonic, phasic = (reading("skin_conductance", values, measure=one).signal for one in ("tonic", "phasic"))
    assert isinstance(tonic, np.ndarray)
    assert isinstance(phasic, np.ndarray)
    assert tonic[0] == pytest.approx(5.0)
    smooth = signal.sosfilt(signal.butter(2, 1.0, fs=2_000, output="sos"), values - 5.0) + 5.0
    assert tonic + phasic == pytest.approx(smooth, abs=1e-9)
    expected = signal.sosfilt(signal.butter(2, 0.05, "highpass", fs=2_000, output="sos"), smooth - 5.0)
    assert phasic == pytest.approx(expected, abs=1e-6)


DOUBTED = {
    "off the skin": np.where(T < 40.0, responses([20.0], [0.5]), 0.0),
    "shorted": np.where(T < 40.0, responses([20.0], [0.5]), 80.0),
    "jerked": np.where((T > 48.0) & (T < 48.2), 20.0, responses([20.0], [0.5])),
}


@pytest.mark.parametrize("values", DOUBTED.values(), ids=DOUBTED)
@pytest.mark.parametrize("kind", ["skin_conductance", "skin_responses"])
def test_what_no_skin_does_is_not_trusted(kind: str, values: Floats) -> None:
    """Outside of 0.05 to 60 uS, beyond 10 uS/s, and 5 s beside: Kleckner et al. (2018)."""
    trust = reading(kind, values).trust
    assert trust is not None
    assert trust[9 * 2_000] == 0.0
    assert trust[11 * 2_000] == 1.0
    assert trust[50 * 2_000] == 0.0


def test_a_cable_that_came_out_is_found_where_its_last_value_is_held() -> None:
    trust = reading("skin_conductance", np.where(T < 30.0, 5.0 + 0.01 * np.sin(T), 5.0)).trust
    assert trust is not None
    assert trust[29 * 2_000] == 1.0
    assert trust[61 * 2_000] == 0.0


def test_the_rate_of_a_temperature_is_the_slope_of_the_line_through_the_window() -> None:
    degrees = 33.0 + 0.5 * np.sin(2 * np.pi * T / 70.0) + np.random.default_rng(1).normal(0.0, 0.02, len(T))
    rate = reading("temperature", degrees, measure="rate", window_s=20.0).signal
    level = reading("temperature", degrees, window_s=20.0).signal
    assert isinstance(rate, np.ndarray)
    assert isinstance(level, np.ndarray)
    for end in (40_000, 100_000, 180_000):
        within = slice(end - 40_000, end)
        hops_s, hops = T[within].reshape(-1, 1_000).mean(axis=1), degrees[within].reshape(-1, 1_000).mean(axis=1)
        assert rate[end - 1] == pytest.approx(60.0 * stats.linregress(hops_s, hops).slope, rel=1e-9)
        assert level[end - 1] == pytest.approx(degrees[within].mean(), abs=1e-9)


def test_the_rate_of_a_line_is_its_slope_from_the_second_half_second_on() -> None:
    rate = reading("temperature", 33.0 + T / 60.0, measure="rate").signal
    assert isinstance(rate, np.ndarray)
    assert rate[1_999:] == pytest.approx(1.0, rel=1e-6)


def test_a_temperature_is_trusted_once_the_window_is_filled_and_not_where_a_sensor_is_put_on_or_falls_off() -> None:
    worn = np.where((T > 10.0) & (T < 70.0), 33.0, 22.0) + 0.001 * np.sin(T)
    trust = reading("temperature", worn, window_s=10.0).trust
    assert trust is not None
    told = {at_s: trust[round(at_s * 2_000)] for at_s in (9.0, 9.9, 10.6, 14.0, 16.0, 69.0, 71.0, 74.0)}
    assert told == {9.0: 0.0, 9.9: 0.0, 10.6: 0.0, 14.0: 0.0, 16.0: 1.0, 69.0: 1.0, 71.0: 0.0, 74.0: 0.0}
    cold = reading("temperature", 12.0 + 0.001 * np.sin(T)).trust
    assert cold is not None
    assert cold.max() == 0.0


def test_limits_that_leave_nothing_between_them_are_refused() -> None:
    with pytest.raises(ValueError, match="Exchange them"):
        KINDS["temperature"](input="a", lowest=40.0, highest=20.0)
