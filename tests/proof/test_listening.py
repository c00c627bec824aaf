from __future__ import annotations

import io
from pathlib import Path

import msgspec
import numpy as np
import pytest

from residue.live.sound_input import InputFrames
from residue.proof import listening
from residue.proof.hearing import HeardSweeps
from residue.proof.listening import listen
from residue.proof.messages import BEFORE_S, Listen, Ordered, Ready
from residue.proof.sweep import slots_of
from tests.proof.audit import without_writing
from tests.proof.simulated_room import DEVICE_S, HALL, ORDERED_S, OUTPUTS, RATE_HZ, recording, sent


class Microphone:
    """Gives a recording frame by frame, on a clock of its own, and then silence of the room."""

    def __init__(self, given: np.ndarray) -> None:
        self._given, self._at = given, 0
        self.closed = False

    @property
    def now_s(self) -> float:
        return 700.0 + self._at / RATE_HZ

    def read(self, frames: int) -> InputFrames:
        part = self._given[self._at : self._at + frames]
        self._at += frames
        rest = np.random.default_rng(self._at).normal(0.0, 1e-4, frames - len(part))
        both = np.concatenate((part, rest)).astype(np.float32)
        return np.vstack((np.zeros_like(both), both))

    def close(self) -> None:
        self.closed = True


@pytest.mark.parametrize("late_s", [0.0, 6.0], ids=["in time", "late at first"])
def test_it_hears_the_sweeps_at_its_own_input_from_the_moment_at_which_they_were_ordered(late_s: float) -> None:
    microphone = Microphone(recording(sent(), HALL))
    said: list[float] = []
    late = iter([late_s] * 20)
    asked = Listen(device="any", input=2, slots=slots_of(OUTPUTS))
    found = listen(
        asked,
        microphone,
        lambda: said.append(microphone.now_s),
        lambda: Ordered(ordered_s=700.0 + ORDERED_S + 0.1),
        lambda: microphone.now_s + next(late, 0.0),
    )
    assert len(said) == 1
    assert found.trouble is None
    assert all(one.heard for one in found.outputs.values())
    assert asked.listen_s > BEFORE_S + DEVICE_S


def test_a_microphone_that_is_away_is_told_and_nothing_is_proven(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(listening, "microphone_or_trouble", lambda _device, _input: "It is away. Plug it in.")
    question = msgspec.json.encode(Listen(device="Ear", input=1, slots=slots_of(OUTPUTS))) + b"\n"
    answers = io.BytesIO()
    listening.serve(io.BytesIO(question), answers)
    first, second = answers.getvalue().splitlines()
    assert msgspec.json.decode(first, type=Ready) == Ready(hears=False)
    assert msgspec.json.decode(second, type=HeardSweeps) == HeardSweeps(trouble="It is away. Plug it in.")


WRITES_NOTHING = """
import io, sys, time

import msgspec
import numpy as np

time.monotonic = lambda: 100.0 + Ear.at / 48_000
from residue.proof import listening
from residue.proof.messages import Listen, Ordered
from residue.proof.sweep import slots_of, sound_of
from residue.loudness.outputs.outputs import Output
import residue.live

outputs = {"left": Output(device_channel=1)}
room = np.random.default_rng(1).normal(0.0, 1e-4, 1_000_000)
sound = sound_of(outputs)[0]
room[150_000 : 150_000 + len(sound)] += sound

class Ear:
    at = 0
    def read(self, frames):
        Ear.at += frames
        return room[None, Ear.at - frames : Ear.at].astype(np.float32)
    def close(self):
        pass

class Inputs:
    open_input = staticmethod(lambda name, channels, where, **_: Ear())

sys.modules["residue.live.device_input"] = Inputs
write_nothing()
asked = msgspec.json.encode(Listen(device="ear", input=1, slots=slots_of(outputs))) + b"\\n"
ordered = msgspec.json.encode(Ordered(ordered_s=102.0)) + b"\\n"
answers = io.BytesIO()
listening.serve(io.BytesIO(asked + ordered), answers)
sys.stdout.write(answers.getvalue().decode())
"""


def test_no_sound_is_ever_stored_or_sent(tmp_path: Path) -> None:
    """What it answers is figures: a few hundred bytes for each output, of some hundred thousand frames."""
    told = without_writing(WRITES_NOTHING, tmp_path)
    assert '"left"' in told
    assert len(told) < 2_000
