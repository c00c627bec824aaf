"""A machine of named states, against a loop that goes from tick to tick as its sentences say."""

from __future__ import annotations

from typing import Any

import msgspec
import numpy as np
import pytest

from residue.mapping.nodes import KINDS
from residue.mapping.signals import CONTROL_RATE_HZ, FRAMES_PER_TICK, Events
from tests.mapping.single import run

RANDOM = np.random.default_rng(20_261_129)
STATES = {"rest": 0.0, "work": 1.0, "spent": 0.25}


def machine(transitions: list[dict[str, Any]], **parameters: Any) -> Any:
    table = {"input": ["onset", "tired"], "states": STATES, "transitions": transitions, **parameters}
    return msgspec.convert(table, KINDS["states"])


def gone_through(node: Any, ticks: int, onsets: list[int], tired: np.ndarray) -> list[float]:
    onset = Events(np.array(onsets, np.int64), np.ones(len(onsets)))
    found = run(node, {"input": [onset, tired]}, ticks * FRAMES_PER_TICK, [5, 24, 25, 72, 100])
    assert isinstance(found, np.ndarray)
    return [float(value) for value in found]


def test_it_begins_in_the_first_state_and_goes_by_event_condition_and_time() -> None:
    node = machine(
        [
            {"from": "rest", "to": "work", "on": "onset"},
            {"from": "work", "to": "spent", "on": "tired", "for_s": 2 / CONTROL_RATE_HZ},
            {"from": "spent", "to": "rest", "after_s": 3 / CONTROL_RATE_HZ},
        ]
    )
    tired = np.array([0.0, 0.0, 0.0, 0.0, 1.0, 1.0, 1.0, 1.0, 1.0, 1.0, 1.0])
    # onset at frame 40 counts at tick 2; tired since tick 4, for two ticks at tick 6; three ticks later it rests.
    expected = [0.0, 0.0, 1.0, 1.0, 1.0, 1.0, 0.25, 0.25, 0.25, 0.0, 0.0]
    assert gone_through(node, 11, [40], tired) == expected


def test_a_condition_counts_from_entering_the_state() -> None:
    node = machine(
        [
            {"from": "rest", "to": "work", "on": "onset"},
            {"from": "work", "to": "spent", "on": "tired", "for_s": 2 / CONTROL_RATE_HZ},
        ]
    )
    assert gone_through(node, 6, [48], np.ones(6)) == [0.0, 0.0, 1.0, 1.0, 0.25, 0.25]


def test_of_two_at_once_the_one_written_first_counts_and_each_state_lasts_a_tick() -> None:
    either = [{"from": "rest", "to": "spent", "on": "onset"}, {"from": "rest", "to": "work", "on": "tired"}]
    assert gone_through(machine(either), 3, [24], np.array([0.0, 1.0, 1.0])) == [0.0, 0.25, 0.25]
    turning = [{"to": "work", "after_s": 0.0}, {"from": "work", "to": "rest", "after_s": 0.0}]
    assert gone_through(machine(turning), 4, [], np.zeros(4)) == [1.0, 0.0, 1.0, 0.0]


def stepwise(transitions: list[dict[str, Any]], onset: list[bool], tired: list[bool]) -> list[float]:
    state, since, held = "rest", 0, 0
    found: list[float] = []
    for tick in range(len(tired)):
        held = held + 1 if tired[tick] else 0
        for one in transitions:
            if one.get("from", state) != state or one["to"] == state or (found and tick == since):
                continue
            if "after_s" in one:
                goes = tick - since >= round(one["after_s"] * CONTROL_RATE_HZ)
            elif one["on"] == "onset":
                goes = onset[tick]
            else:
                goes = held > round(one.get("for_s", 0.0) * CONTROL_RATE_HZ)
            if goes:
                state, since, held = one["to"], tick, 1 if tired[tick] else 0
                break
        found.append(STATES[state])
    return found


def test_any_run_of_events_and_conditions_is_as_a_loop_would_have_it() -> None:
    transitions: list[dict[str, Any]] = [
        {"from": "rest", "to": "work", "on": "onset"},
        {"from": "work", "to": "spent", "on": "tired", "for_s": 3 / CONTROL_RATE_HZ},
        {"from": "spent", "to": "work", "on": "tired"},
        {"from": "work", "to": "rest", "on": "onset"},
        {"to": "rest", "after_s": 40 / CONTROL_RATE_HZ},
    ]
    ticks = 4_000
    onset = RANDOM.random(ticks) < 0.03
    tired = np.repeat(RANDOM.random(ticks // 4) < 0.4, 4)
    frames = np.flatnonzero(onset) * FRAMES_PER_TICK
    node = machine(transitions)
    found = gone_through(node, ticks, frames.tolist(), tired.astype(np.float64))
    assert found == stepwise(transitions, onset.tolist(), tired.tolist())
    assert set(found) == set(STATES.values())


@pytest.mark.parametrize(
    ("transition", "said"),
    [
        ({"from": "rest", "to": "wrok", "on": "onset"}, 'no state is called "wrok".*work'),
        ({"from": "rest", "to": "work", "on": "onsett"}, '"onsett" is not among the inputs.*onset'),
        ({"from": "rest", "to": "work"}, "needs either on or after_s"),
        ({"from": "rest", "to": "work", "after_s": 1.0, "for_s": 1.0}, "belongs to a condition"),
    ],
    ids=["state", "input", "neither", "both"],
)
def test_a_transition_that_cannot_be_is_refused(transition: dict[str, Any], said: str) -> None:
    with pytest.raises(msgspec.ValidationError, match=said):
        machine([transition])
