from __future__ import annotations

import io
import struct
import sys
from pathlib import Path

import msgspec
import numpy as np
import pytest

from residue.live.sound_input import InputFrames
from residue.proof import change, watching
from residue.proof.messages import HEAD, HeardSecond, RoomChange, Watch
from residue.proof.watching import SentBlock, Windows, watch
from tests.proof.audit import without_writing
from tests.proof.simulated_room import RATE_HZ, noise

BLOCK = 4_800
WINDOW_S = 10.0
GAINS = (0.5, 0.25)
ROOM_S = 0.012
"""From the loudspeakers to the microphone."""


@pytest.fixture(autouse=True)
def short_windows(monkeypatch: pytest.MonkeyPatch) -> None:
    """So that a test takes a moment: one window is learnt, and one is enough."""
    monkeypatch.setattr(watching, "WINDOW_S", WINDOW_S)
    monkeypatch.setattr(change, "LEARNT_WINDOWS", 1)


class Hall:
    """What was sent and what is heard, block by block, on two clocks that lie apart."""

    def __init__(self, over_s: float, apart_s: float = 0.0) -> None:
        frames = round(over_s * RATE_HZ)
        self.sent = np.array([noise(frames, -20.0, 1), noise(frames, -20.0, 2)])
        mixed = GAINS[0] * self.sent[0] + GAINS[1] * self.sent[1]
        self.heard = np.roll(mixed, round(ROOM_S * RATE_HZ)) + noise(frames, -70.0, 3)
        self._apart_s = apart_s
        self.windows = Windows()

    def told(self, *, knob: float = 1.0, from_s: float = 0.0, without: int = -1) -> list[RoomChange]:
        """What is told while all of it passes. knob: a gain from this time on. without: a block that was dropped."""
        self.heard[round(from_s * RATE_HZ) :] *= knob
        found = []
        self.windows.heard(noise(3 * RATE_HZ, -70.0, 4), 500.0)  # the room before the piece
        for number, at in enumerate(range(0, self.sent.shape[1], BLOCK)):
            heard_at_s = 500.0 + self._apart_s + at / RATE_HZ
            if number != without:
                self.windows.sent(SentBlock(at, heard_at_s, self.sent[:, at : at + BLOCK].astype(np.float32)))
            late_s = 0.0 if number % 7 == 0 else 0.9  # a busy machine, and a long buffer of the device
            now_s = 500.0 + (at + BLOCK) / RATE_HZ + late_s
            if (told := self.windows.heard(self.heard[at : at + BLOCK], now_s)) is not None:
                found.append(told)
        return found


@pytest.mark.parametrize("apart_s", [-1.5, 0.0, 0.3])
def test_a_window_after_the_first_tells_how_much_louder_the_room_is(apart_s: float) -> None:
    learnt, told = Hall(26.0, apart_s).told(knob=2.0, from_s=10.0)
    assert (learnt.change_db, learnt.louder_db, learnt.trouble) == (None, 0.0, None)
    assert told.change_db == pytest.approx(6.0, abs=0.8)


def test_after_a_gap_a_window_begins_anew_and_nothing_is_mistaken() -> None:
    told = Hall(31.0).told(without=150)
    assert [one.change_db for one in told] == [None, pytest.approx(0.0, abs=0.3)]


def test_a_microphone_that_is_not_well_is_told() -> None:
    hall = Hall(16.0)
    hall.heard[200_000:200_100] = np.nan
    (told,) = hall.told()
    assert "lost" in str(told.trouble)
    assert told.change_db is None


def test_silence_tells_the_level_of_the_room_and_nothing_else() -> None:
    """A sine of 1 kHz is neither raised nor lowered by A and C: IEC 61672-1, table 3. Half a second is before it."""
    hall = Hall(16.0)
    hall.sent[:] = 0.0
    hall.heard[:] = np.sqrt(2.0) * 0.01 * np.sin(2.0 * np.pi * 1000.0 * np.arange(len(hall.heard)) / RATE_HZ)
    (told,) = hall.told()
    assert told.laeq_dbfs == pytest.approx(-40.0, abs=0.3)
    assert told.lceq_dbfs == pytest.approx(-40.0, abs=0.3)
    assert (told.change_db, told.louder_db) == (None, 0.0)


class Ear:
    """A microphone with a second of the room in it."""

    def __init__(self) -> None:
        self.reads = 0
        self.closed = False

    def read(self, frames: int) -> InputFrames:
        self.reads += 1
        return np.zeros((2, frames), np.float32)

    def close(self) -> None:
        self.closed = True


def test_the_process_takes_blocks_as_they_come_and_ends_with_the_house(monkeypatch: pytest.MonkeyPatch) -> None:
    ear, seen = Ear(), list[SentBlock]()
    monkeypatch.setattr(Windows, "sent", lambda _self, block: seen.append(block))

    class Inputs:
        @staticmethod
        def open_input(name: str, channels: int, where: str, **_: float) -> Ear:
            assert (name, channels) == ("Ear", 2)
            return ear

    monkeypatch.setitem(sys.modules, "residue.live.device_input", Inputs)
    asked = msgspec.json.encode(Watch(device="Ear", input=2, outputs=2)) + b"\n"
    sound = np.arange(2 * BLOCK, dtype=np.float32).reshape(2, BLOCK)
    blocks = b"".join(HEAD.pack(number * BLOCK, 7.0, BLOCK) + (sound + number).tobytes() for number in range(3))

    watching.serve(io.BytesIO(asked + blocks + struct.pack("<q", 1)), io.BytesIO())  # half a block: the house has ended
    assert ear.closed
    assert all(np.array_equal(block.frames, sound + number) for number, block in enumerate(seen))


def test_it_reads_the_microphone_for_as_long_as_it_is_to_go_on() -> None:
    ear, left = Ear(), iter([True, True, True, False])
    asked = Watch(device="Ear", input=1, outputs=2)
    said: list[object] = []
    watch(asked, ear, lambda: None, said.append, lambda: next(left), lambda: 9.0)
    assert ear.reads == 3
    assert said == [HeardSecond()] * 3, "so the house knows that somebody listens"


WRITES_NOTHING = """
import io, sys, threading, time

import msgspec
import numpy as np

heard_all = threading.Event()
random = np.random.default_rng(1)
room = random.normal(0.0, 0.05, 2_000_000).astype(np.float32)

class Ear:
    at = 0
    def read(self, frames):
        Ear.at += frames
        if Ear.at >= 40 * 48_000:
            heard_all.set()
        return room[None, Ear.at - frames : Ear.at]
    def close(self):
        pass

time.monotonic = lambda: 100.0 + Ear.at / 48_000
from residue.proof import watching
from residue.proof.messages import HEAD, Watch
import residue.live

class Inputs:
    open_input = staticmethod(lambda name, channels, where, **_: Ear())

class Sent:
    def __init__(self):
        asked = msgspec.json.encode(Watch(device="ear", input=1, outputs=1))
        places = range(0, 1_596_000, 4_800)
        blocks = [HEAD.pack(at, 101.0 + at / 48_000, 4_800) + room[at : at + 4_800].tobytes() for at in places]
        self._lines = io.BytesIO(asked + b"\\n" + b"".join(blocks))
    def readline(self):
        return self._lines.readline()
    def read(self, size):
        came = self._lines.read(size)
        if not came:
            heard_all.wait()
        return came

sys.modules["residue.live.device_input"] = Inputs
write_nothing()
answers = io.BytesIO()
watching.serve(Sent(), answers)
sys.stdout.write(answers.getvalue().decode())
"""


def test_no_sound_is_ever_stored_or_sent_while_it_is_open(tmp_path: Path) -> None:
    told = without_writing(WRITES_NOTHING, tmp_path).splitlines()
    (figures,) = (line for line in told if "RoomChange" in line)
    assert '"change_db":null' in figures
    assert max(map(len, told)) < 200
