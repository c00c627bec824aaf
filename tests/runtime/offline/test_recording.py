"""An evening that is played live sounds, to the bit, as its bag does in the same cap stage: its silence too."""

from __future__ import annotations

import threading
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from residue.archive.prepared import prepare
from residue.installation.load import load
from residue.loudness.stage.capped import Capped
from residue.loudness.stage.history import SentHistory
from residue.loudness.stage.stage import LIVE_SLICE_FRAMES
from residue.output.returning import ReturningSink
from residue.runtime.offline.recording import Recording
from residue.runtime.planning.preparation import cap_stage, playback_of, steps
from residue.runtime.system.clock import SystemClock
from tests.light.receiver import listening, read
from tests.live.fakes import Clock, FakeSound
from tests.live.stage import TODAY, installation, sensors_of
from tests.runtime.running import free_port

Floats = NDArray[np.float64]
RATE_HZ = 48_000


class KeepingSink:
    """Keeps what it is given."""

    latency_s = 0.0
    late_blocks = 0

    def __init__(self) -> None:
        self.blocks: list[Floats] = []
        self.written = threading.Event()

    def write(self, capped: Capped) -> None:
        self.blocks.append(capped.frames.copy())
        self.written.set()

    def close(self) -> None:
        """Nothing to let go of."""


def knocks() -> NDArray[np.float32]:
    """Two inputs: silence with a short sound in each second, too quiet for the cap."""
    sound = np.zeros((2, 60 * RATE_HZ), np.float32)
    for start in range(RATE_HZ // 2, sound.shape[1], RATE_HZ):
        sound[1, start : start + 4_800] = 2e-4 * np.random.default_rng(start).standard_normal(4_800)
    return sound


GLOW = """
[node.glow]
kind = "lamp"
input = "strain"
"""
RECEIVER = "127.5.5.74"


def test_lamps_follow_a_recording_and_are_dark_after_it(tmp_path: Path) -> None:
    folder = installation(tmp_path, free_port())
    piece, room = folder / "piece.toml", folder / "room.toml"
    piece.write_text(piece.read_text() + GLOW)
    room.write_text(
        f'{room.read_text()}\n[light]\nto = "{RECEIVER}"\n[light.lamp.glow]\nuniverse = 1\naddresses = [5]\n'
    )
    loaded = load(folder)
    followed: list[int] = []
    with listening(RECEIVER) as taking:
        evening = Recording(
            loaded,
            sensors_of(folder),
            folder / "performances" / "live",
            sound=FakeSound(knocks(), Clock()),
            sink=ReturningSink(KeepingSink),
            state=tmp_path,
            clock=SystemClock(),
        )
        evening.light.heard = lambda span, signals, _heard_at_s: followed.append(len(signals["glow"]))  # type: ignore[method-assign,assignment,arg-type]
        evening.run(TODAY, lambda _line: evening.end())
        while not (got := read(taking.recv(2_048))).terminated:
            pass
    assert set(followed) == {LIVE_SLICE_FRAMES // 24}, "each slice, at the control rate"
    assert not any(got.slots)


def test_what_was_heard_is_what_the_bag_gives(tmp_path: Path) -> None:
    loaded = load(installation(tmp_path, free_port()))
    into, sink = loaded.folder / "performances" / "live", KeepingSink()
    evening = Recording(
        loaded,
        sensors_of(loaded.folder),
        into,
        sound=FakeSound(knocks(), Clock()),
        sink=ReturningSink(lambda: sink),
        state=tmp_path,
        clock=SystemClock(),
    )
    begin = evening.engine.start

    def begin_and_wait() -> None:
        """Whatever is ordered after the start comes too late for the first block."""
        begin()
        assert sink.written.wait(20.0)

    evening.engine.start = begin_and_wait  # type: ignore[method-assign]
    asked = threading.Event()

    def ended_once(_line: str) -> None:
        """A second request would cut it off."""
        if not asked.is_set():
            asked.set()
            evening.end()

    evening.run(TODAY, ended_once)
    heard = np.concatenate(sink.blocks, axis=1)
    replayed = playback_of(loaded, prepare(into, loaded.graph.needs, tmp_path / "cache"))
    stage = cap_stage(loaded, SentHistory(), LIVE_SLICE_FRAMES)
    stage.begin_programme(planned=False)
    again = np.concatenate([stage.process(played.outputs).frames for played in steps(replayed)], axis=1)
    frames = min(heard.shape[1], again.shape[1])  # by chance it ends some silent blocks before or after the bag does
    assert frames > RATE_HZ // 2
    assert np.array_equal(heard[:, :frames], again[:, :frames])
    assert np.abs(again[:, frames:]).max(initial=0.0) < 1e-9
