"""Counts, comparisons and conditions, against truth tables and against plain loops written from the sentences."""

from __future__ import annotations

import itertools
from typing import Any

import msgspec
import numpy as np
import pytest

from residue.mapping.nodes import KINDS
from residue.mapping.signals import CONTROL_RATE_HZ, FRAMES_PER_TICK, Events
from tests.mapping.single import run

RANDOM = np.random.default_rng(20_261_129)


def made(kind: str, **parameters: Any) -> Any:
    return msgspec.convert({"input": "a", **parameters}, KINDS[kind])


def events(*frames: int, values: list[float] | None = None) -> Events:
    return Events(np.array(frames, np.int64), np.array(values or [1.0] * len(frames)))


def slow(node: Any, ticks: int, **inputs: Any) -> list[float]:
    found = run(node, inputs, ticks * FRAMES_PER_TICK, [1, 25, 47, 48, 100])
    assert isinstance(found, np.ndarray)
    return [float(value) for value in found]


def passed(node: Any, ticks: int, **inputs: Any) -> list[int]:
    found = run(node, inputs, ticks * FRAMES_PER_TICK, [1, 25, 47, 48, 100])
    assert isinstance(found, Events)
    return [int(frame) for frame in found.frames]


def test_a_count_changes_at_the_tick_at_or_after_the_event() -> None:
    assert slow(made("counter"), 4, input=events(0, 1, 24, 25)) == [1.0, 3.0, 4.0, 4.0]


def test_a_count_goes_up_and_down_and_back_to_its_start() -> None:
    node = made("counter", down="b", reset="c", start=5)
    found = slow(node, 5, input=events(0, 24), down=events(48), reset=events(72))
    assert found == [6.0, 7.0, 6.0, 5.0, 5.0]


@pytest.mark.parametrize(
    ("beyond", "expected"), [("wrap", [1.0, 2.0, 0.0, 1.0, 2.0, 0.0]), ("stay", [1.0, 2.0, 2.0, 2.0, 2.0, 2.0])]
)
def test_beyond_its_bounds_a_count_wraps_or_stays(beyond: str, expected: list[float]) -> None:
    """Counting to three and round is counting modulo 3."""
    node = made("counter", lowest=0, highest=2, beyond=beyond)
    assert slow(node, 6, input=events(*range(0, 6 * FRAMES_PER_TICK, FRAMES_PER_TICK))) == expected


def test_counting_down_wraps_to_the_highest() -> None:
    node = made("counter", down="b", lowest=-1, highest=1, beyond="wrap")
    assert slow(node, 3, input=events(), down=events(0, 24, 48)) == [-1.0, 1.0, 0.0]


def test_at_the_same_moment_a_reset_comes_before_the_event() -> None:
    assert slow(made("counter", reset="b"), 2, input=events(0, 24), reset=events(24)) == [1.0, 1.0]


@pytest.mark.parametrize(
    ("parameters", "said"),
    [
        ({"start": 7, "highest": 3}, "is not between lowest and highest"),
        ({"highest": 3, "beyond": "wrap"}, "needs lowest and highest"),
    ],
)
def test_a_count_that_cannot_be_is_refused(parameters: dict[str, Any], said: str) -> None:
    with pytest.raises(msgspec.ValidationError, match=said):
        made("counter", **parameters)


def test_every_third_event_passes_and_a_reset_begins_anew() -> None:
    frames = range(0, 240, 24)
    assert passed(made("every_nth", n=3), 10, input=events(*frames)) == [48, 120, 192]
    assert passed(made("every_nth", n=3, reset="b"), 10, input=events(*frames), reset=events(49)) == [48, 120, 192]
    assert passed(made("every_nth", n=3, reset="b"), 10, input=events(*frames), reset=events(95)) == [48, 144, 216]


def test_streams_merge_in_the_order_of_time_and_then_of_the_inputs() -> None:
    one, other = events(0, 48, values=[1.0, 2.0]), events(0, 30, values=[3.0, 4.0])
    found = run(made("merge", input=["a", "b"]), {"input": [one, other]}, 96, [40])
    assert isinstance(found, Events)
    assert found.frames.tolist() == [0, 0, 30, 48]
    assert found.values.tolist() == [1.0, 3.0, 4.0, 2.0]


def test_each_change_is_an_event_with_the_new_value() -> None:
    values = np.array([2.0, 2.0, 3.0, 0.0, 0.0, 3.0])
    found = run(made("changes"), {"input": values}, 144, [30, 60, 73])
    assert isinstance(found, Events)
    assert found.frames.tolist() == [48, 72, 120]
    assert found.values.tolist() == [3.0, 0.0, 3.0]
    assert passed(made("changes", to=3), 6, input=values) == [48, 120]


@pytest.mark.parametrize("rule", ["all", "any", "none", "one", "odd"])
@pytest.mark.parametrize("inputs", [1, 2, 3])
def test_a_rule_of_logic_has_its_truth_table(rule: str, inputs: int) -> None:
    """Boolean algebra: conjunction, disjunction, joint denial, exactly one, parity."""
    holding = {"all": {inputs}, "any": {1, 2, 3}, "none": {0}, "one": {1}, "odd": {1, 3}}
    table = list(itertools.product([False, True], repeat=inputs))
    expected = [row.count(True) in holding[rule] for row in table]
    signals = [np.array([row[n] for row in table], np.float64) for n in range(inputs)]
    node = made("logic", input=[f"in{n}" for n in range(inputs)], rule=rule)
    assert slow(node, len(table), input=signals) == [float(one) for one in expected]


def compared(values: list[float], low: float, high: float, slack: float, on: int, off: int) -> list[float]:
    """The sentences of `compare` as a loop: on, off in ticks."""
    raw, held, since, settled, found = False, 0, 0, False, []
    for value in values:
        raw = True if low <= value <= high else False if not low - slack <= value <= high + slack else raw
        held, since = (held + 1, 0) if raw else (0, since + 1)
        settled = True if held > on else False if since > off else settled
        found.append(float(settled))
    return found


@pytest.mark.parametrize(("on", "off"), [(0, 0), (3, 0), (0, 4), (2, 5)])
@pytest.mark.parametrize(
    ("above", "below", "slack"), [(0.2, None, 0.3), (None, -0.1, 0.2), (-0.3, 0.3, 0.1)], ids=["above", "below", "both"]
)
def test_a_comparison_is_calm_as_its_sentences_say(
    above: float | None, below: float | None, slack: float, on: int, off: int
) -> None:
    values = np.repeat(RANDOM.uniform(-1.0, 1.0, 400), RANDOM.integers(1, 7, 400))
    times = {"on_after_s": on / CONTROL_RATE_HZ, "off_after_s": off / CONTROL_RATE_HZ}
    node = made("compare", above=above, below=below, hysteresis=slack, **times)
    low, high = (-np.inf if above is None else above), (np.inf if below is None else below)
    found = slow(node, len(values), input=values)
    assert found == compared(values.tolist(), low, high, slack, on, off)
    assert 0.05 < np.mean(found) < 0.95


def test_a_comparison_holds_for_what_lies_on_its_value_and_may_listen_to_another_signal() -> None:
    assert slow(made("compare", above=0.5), 3, input=np.array([0.4, 0.5, 0.6])) == [0.0, 1.0, 1.0]
    node = made("compare", above=0.0, than="b")
    assert slow(node, 3, input=np.array([1.0, 2.0, 3.0]), than=np.array([2.0, 2.0, 2.0])) == [0.0, 1.0, 1.0]


def test_a_comparison_with_nothing_or_the_impossible_is_refused() -> None:
    with pytest.raises(msgspec.ValidationError, match="needs above, below or both"):
        made("compare")
    with pytest.raises(msgspec.ValidationError, match="Nothing is above 2 and below 1"):
        made("compare", above=2.0, below=1.0)


def test_events_pass_while_a_condition_holds_and_while_their_value_fits() -> None:
    condition = np.array([0.0, 1.0, 1.0, 0.0])
    node = made("pass_while", condition="b")
    assert passed(node, 4, input=events(0, 23, 24, 71, 72), condition=condition) == [24, 71]
    node = made("pass_between", low=2.0, high=3.0)
    assert passed(node, 4, input=events(0, 1, 2, 3, values=[1.0, 2.0, 3.0, 3.5])) == [1, 2]
