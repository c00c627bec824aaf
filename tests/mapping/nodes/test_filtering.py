"""What a slow signal has been before its first value: that value, and not 0."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from residue.mapping.nodes import KINDS
from tests.mapping.single import run

WARM = np.full(400, 31.5)

SETTLED: dict[str, dict[str, Any]] = {
    "smooth": {"time_s": 5.0},
    "lowpass": {"cutoff_hz": 0.5},
    "notch": {},
    "delay": {"delay_s": 0.1},
}


@pytest.mark.parametrize(("kind", "parameters"), SETTLED.items(), ids=SETTLED)
def test_a_slow_signal_that_stands_still_stays_where_it_is_from_the_first_value_on(
    kind: str, parameters: dict[str, Any]
) -> None:
    assert run(KINDS[kind](input="a", **parameters), {"input": WARM}, 24 * 400) == pytest.approx(WARM)


def test_so_it_does_where_the_cutoff_moves() -> None:
    controls = {"cutoff_hz": np.linspace(0.5, 5.0, 400)}
    node = KINDS["lowpass"](input="a", cutoff_hz=1.0)
    assert run(node, {"input": WARM}, 24 * 400, controls=controls) == pytest.approx(WARM)


def test_smooth_reaches_63_percent_of_a_step_after_its_time() -> None:
    step = np.where(np.arange(4_000) < 2_000, 30.0, 40.0)
    found = run(KINDS["smooth"](input="a", time_s=0.5), {"input": step}, 24 * 4_000)
    assert isinstance(found, np.ndarray)
    assert found[1_999] == pytest.approx(30.0)
    assert found[3_000] == pytest.approx(30.0 + 10.0 * (1 - np.exp(-1)), abs=0.01)


def test_before_a_sound_there_was_silence() -> None:
    sound = np.ones((1, 4_800))
    assert run(KINDS["delay"](input="a", delay_s=0.05), {"input": sound}, 4_800)[0, 0] == 0.0  # type: ignore[index]
    assert run(KINDS["smooth"](input="a", time_s=0.05), {"input": sound}, 4_800)[0, 0] < 0.001  # type: ignore[index]


def test_what_is_held_from_the_start_is_the_first_value() -> None:
    node = KINDS["hold"](input="a", hold_while="b")
    inputs = {"input": np.arange(31.0, 39.0), "hold_while": np.array([1.0, 1, 0, 1, 1, 0, 0, 1])}
    assert run(node, inputs, 24 * 8) == pytest.approx([31, 31, 33, 33, 33, 36, 37, 37])


def test_adapt_does_not_take_the_offset_of_a_sensor_for_its_range() -> None:
    n = np.arange(40_000) / 2_000
    breath = 2_000.0 + np.sin(2 * np.pi * n / 2.0)
    found = run(KINDS["adapt"](input="a", over_s=10.0), {"input": breath}, 24 * 40_000)
    assert isinstance(found, np.ndarray)
    late = found[20_000:]
    assert late.mean() == pytest.approx(0.5, abs=0.05)
