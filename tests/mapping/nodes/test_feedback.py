"""Loops of a graph, against loops written out by hand; bounded, and the same whatever the steps."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any
from xml.etree import ElementTree

import msgspec
import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import signal

from residue.archive.in_memory import InMemoryPerformance
from residue.mapping.checkpoint import dump, given, load
from residue.mapping.drawing import draw
from residue.mapping.graph import Graph, build
from residue.mapping.nodes import KINDS
from residue.mapping.piece import Piece
from residue.mapping.playback import Playback
from residue.mapping.signals import AUDIO_RATE_HZ, CONTROL_RATE_HZ, FRAMES_PER_TICK, Events, Signal, joined
from tests.mapping.single import same

Floats = NDArray[np.float64]
SECOND = AUDIO_RATE_HZ
NOISE = np.random.default_rng(3).uniform(-1.0, 1.0, 2 * SECOND)


def wired(nodes: Mapping[str, Mapping[str, Any]]) -> tuple[Graph | None, list[str]]:
    tables = {"out": {"kind": "output", "input": "heard", "to": ["left"]}, **nodes}
    made = {
        name: msgspec.convert({key: one for key, one in table.items() if key != "kind"}, KINDS[table["kind"]])
        for name, table in tables.items()
    }
    graph, findings = build(Piece(title="Oven", outputs=["left"], node={}), made)
    return graph, [str(finding.what) for finding in findings]


def graph_of(nodes: Mapping[str, Mapping[str, Any]]) -> Graph:
    graph, faults = wired(nodes)
    assert graph is not None, faults
    return graph


def evening(sound: Floats, slow: Floats | None = None, beats: Sequence[int] = ()) -> InMemoryPerformance:
    frames = len(sound)
    return InMemoryPerformance(
        frames=frames,
        slow={"arm": np.zeros(frames // FRAMES_PER_TICK) if slow is None else slow},
        fast={"air": sound},
        events={"pulse": Events(np.array(beats, np.int64), np.ones(len(beats)))},
    )


def played(graph: Graph, source: InMemoryPerformance, name: str, steps: Sequence[int]) -> Signal:
    """What a node gives, stepped in these lengths over and over."""
    playback = Playback(graph, source, 10 * source.frames, ".")
    parts: list[Signal] = []
    while playback.position < source.frames:
        frames = steps[len(parts) % len(steps)]
        parts.append(playback.step(min(frames, source.frames - playback.position)).signals[name])
    return joined(parts)


def sounding(graph: Graph, source: InMemoryPerformance, name: str = "heard", steps: Sequence[int] = (4_800,)) -> Floats:
    found = played(graph, source, name, steps)
    assert not isinstance(found, Events)
    return found[0] if found.ndim == 2 else found


def ring(delay_s: float, *, more_db: float = 0.0, **parameters: Any) -> Graph:
    """air → heard → (more_db) → back → heard."""
    return graph_of(
        {
            "air": {"kind": "channel", "channel": "air", "rate": "fast"},
            "back": {"kind": "feedback", "input": "louder", "delay_s": delay_s, **parameters},
            "heard": {"kind": "mix", "input": ["air", "back"]},
            "louder": {"kind": "gain", "input": "heard", "gain_db": more_db},
        }
    )


def test_a_loop_of_sound_is_the_comb_that_it_says() -> None:
    """y[n] = x[n] + g h(y)[n - D], h scipy's first-order Butterworth high-pass at 5 Hz, a delay's length at a time."""
    delay = 1_200
    heard = sounding(ring(delay / SECOND, gain_db=-3.0), evening(0.05 * NOISE))
    b, a = signal.butter(1, 5.0, "high", fs=SECOND)
    before, state, expected = np.zeros(delay), np.zeros(1), []
    for x in (0.05 * NOISE).reshape(-1, delay):
        expected.append(x + 10 ** (-3.0 / 20) * before)
        before, state = signal.lfilter(b, a, expected[-1], zi=state)
    assert heard == pytest.approx(np.concatenate(expected), abs=1e-12)


@pytest.mark.parametrize("steps", [(480,), (479, 1, 23, 25), (65_536,), (7_001, 100)])
@pytest.mark.parametrize("delay_s", [0.01, 0.0173, 0.5])
def test_the_length_of_the_steps_changes_no_bit_however_short_the_loop(delay_s: float, steps: Sequence[int]) -> None:
    graph, source = ring(delay_s, more_db=6.0), evening(NOISE)
    assert same(played(graph, source, "heard", steps), played(graph, source, "heard", [4_800]))


@pytest.mark.parametrize("bound", [0.25, 1.0])
@pytest.mark.parametrize("sound", [NOISE, np.ones(2 * SECOND), np.sign(NOISE)], ids=["noise", "offset", "square"])
def test_a_loop_never_runs_away_whatever_stands_in_it(sound: Floats, bound: float) -> None:
    """A million times louder each round, twenty rounds: without a bound that would be 2400 dB."""
    graph = ring(0.05, more_db=60.0, gain_db=0.0, bound=bound)
    back = sounding(graph, evening(sound), "back")
    assert 0.5 * bound < np.abs(back).max() < bound


def test_an_offset_does_not_pile_up() -> None:
    """Forty rounds of a constant of 0.1 would come to the bound of 1; only its beginning goes round."""
    back = sounding(ring(0.05, gain_db=0.0), evening(np.full(2 * SECOND, 0.1)), "back")
    assert 0.05 < np.abs(back).max() < 0.2


def test_a_loop_goes_on_to_the_bit_from_a_checkpoint() -> None:
    graph, source = ring(0.03, more_db=6.0), evening(NOISE)
    unbroken, kept = (Playback(graph, source, 10 * source.frames, ".") for _ in range(2))
    for frames in (1, 999, 7_000, 4_800, 20_000):
        assert unbroken.step(frames).outputs.tobytes() == kept.step(frames).outputs.tobytes()
        kept = load(dump(kept, given(graph, source)), given(graph, source))


SLOW: Mapping[str, Mapping[str, Any]] = {
    "arm": {"kind": "channel", "channel": "arm"},
    "heard": {"kind": "oscillator", "frequency_hz": 100.0},
    "sum": {"kind": "mix", "input": ["arm", "back"]},
}


def test_a_slow_loop_sums_a_geometric_series_and_stops_at_its_bound() -> None:
    """1 + g + g^2 + … = 1 / (1 - g); a half is -6.0206 dB. A value takes effect a delay later, to the tick."""
    back = {
        "kind": "feedback",
        "input": "sum",
        "rate": "slow",
        "delay_s": 0.05,
        "gain_db": -6.020599913279624,
        "bound": 5.0,
    }
    source = evening(np.zeros(2 * SECOND), np.ones(2 * CONTROL_RATE_HZ))
    found = sounding(graph_of({**SLOW, "back": back}), source, "sum")
    rounds = np.arange(2 * CONTROL_RATE_HZ) // 100
    assert found == pytest.approx(2.0 - 0.5**rounds, abs=1e-12)
    grown = sounding(graph_of({**SLOW, "back": {**back, "gain_db": 0.0}}), source, "sum")
    assert grown == pytest.approx(np.minimum(rounds + 1.0, 6.0), abs=1e-12)


def test_a_slow_loop_that_dies_away_leaves_no_subnormal_numbers() -> None:
    back = {"kind": "feedback", "input": "sum", "rate": "slow", "delay_s": 0.01, "gain_db": -60.0}
    slow = np.zeros(2 * CONTROL_RATE_HZ)
    slow[:20] = 1.0
    found = sounding(graph_of({**SLOW, "back": back}), evening(np.zeros(2 * SECOND), slow), "sum")
    assert found[20] == pytest.approx(1e-3)
    assert not found[-CONTROL_RATE_HZ:].any()


def test_events_come_round_and_never_more_often_than_they_may() -> None:
    nodes: dict[str, dict[str, Any]] = {
        "pulse": {"kind": "channel", "channel": "pulse", "rate": "events"},
        "heard": {"kind": "strike", "input": "all"},
        "all": {"kind": "merge", "input": ["pulse", "back", "back"]},  # each that comes back is doubled
        "back": {"kind": "feedback", "input": "all", "rate": "events", "delay_s": 0.1, "refractory_s": 0.03},
    }
    found = played(graph_of(nodes), evening(np.zeros(SECOND), beats=[100, 700, 2_600]), "back", [4_800, 7])
    assert isinstance(found, Events)
    # 700 follows 100 within 1440 frames and is left out; of the two that each makes one passes.
    expected = sorted(beat + round_ * 4_800 for beat in (100, 2_600) for round_ in range(1, 10))
    assert [frame for frame in found.frames.tolist() if frame < SECOND] == [one for one in expected if one < SECOND]


@pytest.mark.parametrize(
    ("parameters", "said"),
    [
        ({"rate": "slow"}, '"heard" gives 1 channels of a fast signal, and this carries a signal that is slow.'),
        ({"channels": 2}, '"heard" gives 1 channels of a fast signal, and this carries 2 channels of a fast signal.'),
        ({"input": "nowhere"}, 'There is no node "nowhere".'),
        ({"input": "air.trust"}, '"air" has no trust: it is not made from a reading of the body.'),
    ],
    ids=["rate", "channels", "name", "trust"],
)
def test_what_comes_back_must_fit(parameters: dict[str, Any], said: str) -> None:
    back = {"kind": "feedback", "input": "heard", "delay_s": 0.1, **parameters}
    air = {"kind": "channel", "channel": "air", "rate": "fast"}
    graph, faults = wired({"air": air, "back": back, "heard": {"kind": "mix", "input": ["air"]}})
    assert graph is None
    assert said in faults


def test_the_picture_shows_a_loop_as_a_wire_that_comes_back() -> None:
    picture = ElementTree.fromstring(draw(ring(0.1)))
    back = [
        path
        for path in picture.iter("{http://www.w3.org/2000/svg}path")
        if path.findtext("{http://www.w3.org/2000/svg}title") == "louder → back: back input"
    ]
    assert len(back) == 1
    assert "comes back later" in [text.text for text in picture.iter("{http://www.w3.org/2000/svg}text")]
