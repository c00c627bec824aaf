"""The form: sections that end on a state of the body, or at the latest after a time."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from residue.mapping.form import FormStep
from residue.mapping.piece import Ending, Section
from residue.mapping.signals import CONTROL_RATE_HZ, FRAMES_PER_TICK, Span

Slow = NDArray[np.float64]


def run(form: FormStep, signal: Slow, cuts: list[int]) -> tuple[list[tuple[float, float]], dict[str, Slow]]:
    """The section changes as (seconds, number), and the driven parameters tick by tick, for a signal cut at frames."""
    edges = [0, *sorted(set(cuts) - {0}), len(signal) * FRAMES_PER_TICK]
    changes: list[tuple[float, float]] = []
    tracks: dict[str, list[Slow]] = {}
    for start, stop in itertools.pairwise(edges):
        span = Span(start, stop)
        events, controls = form(span, {"body": signal[span.first_tick : span.last_tick]})
        changes += [(frame / 48_000, value) for frame, value in zip(events.frames, events.values, strict=True)]
        for key, control in controls.items():
            tracks.setdefault(key, []).append(np.broadcast_to(control, span.ticks))
    return changes, {key: np.concatenate(pieces) for key, pieces in tracks.items()}


def seconds(*levels: tuple[float, float]) -> Slow:
    """A slow signal of (level, seconds) in turn."""
    return np.concatenate([np.full(round(length * CONTROL_RATE_HZ), level) for level, length in levels])


def test_a_section_ends_once_its_state_has_held_for_the_time_asked() -> None:
    form = FormStep([Section(name="work", ends=Ending(signal="body", above=0.5, for_s=1.0), at_most_s=60)], {})
    changes, _ = run(form, seconds((0.0, 2.0), (1.0, 0.9), (0.0, 0.1), (1.0, 3.0)), [])
    # The first rise lasts 0.9 s: too short. The second begins at 3.0 s and has held for a second at 4.0 s.
    assert changes == [(0.0, 1.0), (4.0, 2.0)]
    assert form.ended_tick == 8_000


def test_a_section_ends_at_the_latest_after_its_time() -> None:
    form = FormStep([Section(name="work", ends=Ending(signal="body", above=0.5), at_most_s=1.5)], {})
    assert run(form, seconds((0.0, 4.0)), [])[0] == [(0.0, 1.0), (1.5, 2.0)]


def test_a_section_lasts_at_least_its_time_although_its_state_is_reached() -> None:
    form = FormStep([Section(name="w", ends=Ending(signal="body", below=0.5), at_least_s=1.0, at_most_s=9)], {})
    assert run(form, seconds((0.0, 4.0)), [])[0] == [(0.0, 1.0), (1.0, 2.0)]


def test_a_state_reached_in_one_section_does_not_count_for_the_next() -> None:
    ending = Ending(signal="body", above=0.5, for_s=1.0)
    sections = [Section(name="a", ends=ending, at_most_s=9), Section(name="b", ends=ending, at_most_s=9)]
    changes, _ = run(FormStep(sections, {}), seconds((1.0, 4.0)), [])
    # Each section begins to count again at its own first tick.
    assert [time for time, _ in changes] == [0.0, 1.0, 2.0]


def test_the_section_is_named_and_the_last_one_keeps_its_name() -> None:
    form = FormStep([Section(name="a", at_most_s=1), Section(name="b", at_most_s=1)], {})
    names = [form.section]
    for second in range(3):
        span = Span(second * 48_000, (second + 1) * 48_000)
        form(span, {})
        names.append(form.section)
    assert names == [None, "a", "b", "b"]


def test_a_parameter_goes_in_a_straight_line_to_what_a_section_sets_and_stays_there() -> None:
    sections = [
        Section(name="a", at_most_s=1),
        Section(name="b", at_most_s=2, set={"mass.decay_db": 6.0}, over_s=1.0),
        Section(name="c", at_most_s=2),
    ]
    _, tracks = run(FormStep(sections, {"mass.decay_db": 2.0}), seconds((0.0, 5.0)), [])
    decay = tracks["mass.decay_db"]
    assert [decay[round(at_s * CONTROL_RATE_HZ)] for at_s in (0.5, 1.0, 1.5, 2.0, 4.5)] == [2.0, 2.0, 4.0, 6.0, 6.0]


@given(
    levels=st.lists(st.tuples(st.sampled_from([0.0, 0.4, 0.6, 1.0]), st.sampled_from([0.01, 0.05, 0.3])), min_size=3),
    cuts=st.lists(st.integers(1, 200_000), max_size=40),
)
def test_how_time_is_cut_changes_nothing(levels: list[tuple[float, float]], cuts: list[int]) -> None:
    sections = [
        Section(
            name="a", ends=Ending(signal="body", above=0.5, for_s=0.04), at_most_s=0.5, set={"x.y": 0.3}, over_s=0.1
        ),
        Section(name="b", ends=Ending(signal="body", below=0.5), at_least_s=0.02, at_most_s=0.4, set={"x.y": -1.7}),
        Section(name="c", at_most_s=0.1, set={"x.y": 0.1}, over_s=0.0),
    ]
    signal = seconds(*levels)
    frames = len(signal) * FRAMES_PER_TICK
    whole = run(FormStep(sections, {"x.y": 0.7}), signal, [])
    cut = run(FormStep(sections, {"x.y": 0.7}), signal, [cut for cut in cuts if cut < frames])
    assert whole[0] == cut[0]
    assert np.array_equal(whole[1]["x.y"], cut[1]["x.y"])


def test_an_ending_needs_exactly_one_bound() -> None:
    for bounds in ({}, {"above": 1.0, "below": 0.0}):
        with pytest.raises(ValueError, match="either above or below"):
            Ending(signal="body", **bounds)
