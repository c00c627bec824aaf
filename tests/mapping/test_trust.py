"""The trust in a reading of the body, beside it in the graph: carried on, listened to, and told."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from residue.installation.load import read_piece
from residue.mapping.graph import Graph
from residue.mapping.playback import Playback
from residue.mapping.signals import EVENTS, FRAMES_PER_TICK, SLOW, Events
from residue.mapping.trust import DOUBTFUL, with_trust
from residue.problems import Severity
from tests.mapping.single import Performance

HEART = """
title = "Oven Watch"
outputs = ["left"]
[node.beats]
kind = "channel"
channel = "beats"
rate = "events"
[node.pulse]
kind = "heart_rate"
input = "beats"
[node.calm]
kind = "smooth"
input = "pulse"
time_s = 0.1
[node.told]
kind = "feed"
input = "calm"
address = "/oven/pulse"
[node.tone]
kind = "noise"
[node.quieter]
kind = "gain"
input = "tone"
gain_db = { from = "calm.trust", at = [0.0, 1.0], gives = [-60.0, 0.0] }
[node.out]
kind = "output"
input = "quieter"
to = ["left"]
[[section]]
name = "watching"
ends = { signal = "pulse.trust", below = 0.5, for_s = 0.5 }
at_least_s = 3
at_most_s = 60
"""
SECONDS = 20


def graph(folder: Path, text: str) -> tuple[Graph | None, list[str]]:
    (folder / "piece.toml").write_text(text, encoding="utf-8")
    found, findings = read_piece(folder / "piece.toml")
    return found, [str(finding) for finding in findings if finding.severity is Severity.STOPS]


def ten_beats() -> Performance:
    """A beat a second for ten seconds, then none."""
    frames = np.arange(1, 11) * 48_000
    return Performance({"beats": Events(frames, np.array([0.0] + [1.0] * 9))})


def test_a_section_ends_where_the_reading_it_is_bound_to_is_no_longer_measured(tmp_path: Path) -> None:
    """At 10 s the last beat; 1.5 intervals later trust begins to fall, at 12.25 s it is a half, and 0.5 s later."""
    found, stopping = graph(tmp_path, HEART)
    assert found is not None, stopping
    playback = Playback(found, ten_beats(), SECONDS * 48_000, ".")
    changes = [
        frame / 48_000
        for _ in range(2 * SECONDS)
        for signal in (playback.step(24_000).signals.get("form"),)
        if isinstance(signal, Events)
        for frame in signal.frames.tolist()
    ]
    assert changes[0] == 0.0
    assert abs(changes[1] - 12.75) < 0.002


def test_what_is_made_from_a_reading_carries_its_trust_and_what_is_not_has_none(tmp_path: Path) -> None:
    found, _ = graph(tmp_path, HEART)
    assert found is not None
    assert {name for name in found.shapes if name.endswith(".trust")} == {"pulse.trust", "calm.trust", "told.trust"}
    assert found.shapes["pulse.trust"] == SLOW
    assert found.shapes["beats"] == EVENTS
    assert with_trust(["calm", "tone"], found.shapes) == ["calm", "calm.trust", "tone"]
    assert with_trust(["calm", "calm.trust"], found.shapes) == ["calm", "calm.trust"]


def test_a_held_value_is_told_from_a_measured_one(tmp_path: Path) -> None:
    found, _ = graph(tmp_path, HEART.partition("[[section]]")[0])
    assert found is not None
    playback = Playback(found, ten_beats(), SECONDS * 48_000, ".")
    told = [playback.step(48_000).readings["pulse"] for _ in range(SECONDS)]
    assert [one.value for one in (told[0], told[5], told[-1])] == [70.0, 60.0, 60.0]
    assert told[0].trust == 0.0
    assert told[5].trust == 1.0
    assert told[-1].trust == 0.0
    assert told[11].trust > DOUBTFUL > told[13].trust


def test_a_node_trusts_its_value_no_more_than_its_input(tmp_path: Path) -> None:
    text = (
        HEART.replace('input = "pulse"\ntime_s', 'input = "mixed"\ntime_s')
        + """
[node.arm]
kind = "channel"
channel = "arm"
[node.strain]
kind = "envelope"
input = "arm"
[node.mixed]
kind = "mix"
input = ["pulse", "strain"]
"""
    )
    found, stopping = graph(tmp_path, text)
    assert found is not None, stopping
    ticks = SECONDS * 48_000 // FRAMES_PER_TICK
    arm = np.random.default_rng(1).normal(0.0, 1.0, ticks)
    arm[: ticks // 4] = 0.0  # the sensor is put on after five seconds
    source = Performance({**ten_beats().channels, "arm": arm})
    signals = Playback(found, source, SECONDS * 48_000, ".").step(9 * 48_000).signals
    pulse, strain, mixed = (signals[f"{name}.trust"] for name in ("pulse", "strain", "mixed"))
    assert not isinstance(pulse, Events)
    assert not isinstance(strain, Events)
    assert not isinstance(mixed, Events)
    assert np.array_equal(mixed, np.minimum(pulse, strain))
    assert mixed[8_000] == 0.0
    assert mixed[-1] > 0.8


def test_a_trust_that_is_not_there_is_a_fault_with_a_mend(tmp_path: Path) -> None:
    _, stopping = graph(tmp_path, HEART.replace("calm.trust", "tone.trust"))
    assert any('"tone" has no trust' in one and "quieter.gain_db" in one for one in stopping)
    _, stopping = graph(tmp_path, HEART.replace("pulse.trust", "beats.trust"))
    assert any('"beats" has no trust' in one and "section[1].ends.signal" in one for one in stopping)
    _, stopping = graph(tmp_path, HEART.replace("[node.calm]", '[node."pulse.trust"]').replace('"calm"', '"pulse"'))
    assert any("Give it another name" in one for one in stopping)
