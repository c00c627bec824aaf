"""Hearts drive the form of Oven Watch: one that calms down ends it, one that never does is ended by time.

Only the nodes that the form listens to are stepped; what sounds does not drive it.
"""

from __future__ import annotations

from pathlib import Path

import msgspec
import numpy as np
import pytest
from numpy.typing import NDArray

from archives.generator import brain
from residue.archive.in_memory import InMemoryPerformance
from residue.dsp.resampling import resampled
from residue.installation.load import load
from residue.mapping.graph import Graph, build, drivable, listens_to, ports
from residue.mapping.node import Drive, Node
from residue.mapping.nodes import KINDS
from residue.mapping.playback import Playback
from residue.mapping.signals import AUDIO_RATE_HZ, CONTROL_RATE_HZ, FRAMES_PER_TICK, Events, seconds
from tests.archive.streams import held_stream

Floats = NDArray[np.float64]
PIECE = load(Path(__file__).parents[2] / "archives" / "oven-watch")
MINUTES = 10.0


def body_of(graph: Graph) -> Graph:
    """The part of a graph that its sections' endings follow from, with a tone that nobody asked for as its output."""
    kept: dict[str, Node] = {}
    wanted = [section.ends.signal for section in graph.piece.section if section.ends is not None]
    while wanted:
        name = wanted.pop()
        node = kept[name] = graph.nodes[name]
        wanted += [source for field in ports(type(node)) for source in listens_to(node, field)]
        drives = [getattr(node, field) for field in drivable(type(node))]
        wanted += [drive.source for drive in drives if isinstance(drive, Drive)]
    kept["tone"] = KINDS["oscillator"](frequency_hz=100.0)
    kept["out"] = KINDS["output"](input="tone", to=list(graph.piece.outputs))
    sections = [msgspec.structs.replace(section, set={}) for section in graph.piece.section]
    tables = {name: graph.piece.node.get(name, {}) for name in kept}
    built, findings = build(msgspec.structs.replace(graph.piece, node=tables, section=sections), kept)
    assert built is not None, findings
    return built


def ecg(rate_bpm: Floats) -> Floats:
    """An ECG at the control rate whose rate follows (samples,): R and T waves are enough for a detector."""
    turns = np.cumsum(rate_bpm / 60.0) / CONTROL_RATE_HZ
    beats = np.flatnonzero(np.diff(np.floor(turns)) > 0)
    at_s = np.arange(-600, 1_000) / CONTROL_RATE_HZ
    wave = np.exp(-((at_s / 0.011) ** 2) / 2) + 0.25 * np.exp(-(((at_s - 0.25) / 0.05) ** 2) / 2)
    made = np.zeros(len(rate_bpm) + len(wave))
    for beat in beats:
        made[beat : beat + len(wave)] += wave
    return made[: len(rate_bpm)] + np.random.default_rng(1).normal(0.0, 0.01, len(rate_bpm))


def sections_s(rate_bpm: Floats) -> dict[str, float]:
    """When each section of Oven Watch begins, and the end."""
    eyes = brain.eeg(3, MINUTES, brain.Sitting(closing_s=20.0, begins=0.0, drowsy=0.0))
    slow = {name.lower(): read(values) for name, values in eyes.items()}
    ticks = len(rate_bpm)
    performance = InMemoryPerformance(ticks * FRAMES_PER_TICK, slow={**slow, "chest": ecg(rate_bpm)})
    playback = Playback(body_of(PIECE.graph), performance, performance.frames, "")
    found: dict[str, float] = {}
    names = [section.name for section in PIECE.piece.section]
    while not (played := playback.step(10 * AUDIO_RATE_HZ)).ended:
        form = played.signals["form"]
        assert isinstance(form, Events)
        for frame, number in zip(form.frames.tolist(), form.values.tolist(), strict=True):
            found[names[int(number) - 1] if number <= len(names) else "end"] = seconds(frame)
    return found


def read(values: Floats) -> Floats:
    stream = resampled(held_stream(values, brain.RATE_HZ), CONTROL_RATE_HZ)
    return stream.read(0, stream.length)


AT_S = np.arange(round(MINUTES * 60 * CONTROL_RATE_HZ)) / CONTROL_RATE_HZ
FIRST, SECOND, THIRD = PIECE.piece.section


def test_a_heart_that_calms_down_goes_through_all_sections_and_ends_it() -> None:
    """From about 120 to about 60 beats a minute: work and rest, a fact of common practice."""
    calming = 60.0 + 60.0 * 0.5 ** (np.clip(AT_S - 80.0, 0.0, None) / 50.0)
    found = sections_s(calming)
    assert list(found) == [FIRST.name, SECOND.name, THIRD.name, "end"]
    assert found[THIRD.name] - found[SECOND.name] < SECOND.at_most_s - 5.0
    assert found["end"] - found[THIRD.name] < THIRD.at_most_s - 5.0


@pytest.mark.long
def test_a_heart_that_never_settles_ends_it_by_time() -> None:
    """It swings between 95 and 125 beats a minute, up and down in 50 s."""
    found = sections_s(110.0 + 15.0 * np.sin(2 * np.pi * AT_S / 50.0))
    assert list(found) == [FIRST.name, SECOND.name, THIRD.name, "end"]
    assert found[THIRD.name] - found[SECOND.name] == pytest.approx(SECOND.at_most_s, abs=0.001)
    assert found["end"] - found[THIRD.name] == pytest.approx(THIRD.at_most_s, abs=0.001)
