from __future__ import annotations

import sys

import numpy as np
import pytest

from residue.live import device_input
from residue.live.sound_input import DeviceInput
from residue.proof.microphone import LATENCY_S, Beginning, microphone_or_trouble
from tests.live.test_coming_in import FakeStream

RATE_HZ = 48_000


def test_what_waits_while_the_reader_is_late_is_heard_without_a_gap(monkeypatch: pytest.MonkeyPatch) -> None:
    def wait(stream: FakeStream) -> None:
        stream.available = round(LATENCY_S * RATE_HZ)

    stream, asked = FakeStream({2: wait}), list[float]()

    def opened(_name: str, _channels: int, _where: str, latency_s: float) -> FakeStream:
        asked.append(latency_s)
        return stream

    monkeypatch.setattr(device_input, "_Stream", opened)
    microphone = microphone_or_trouble("Ear", 2)
    assert isinstance(microphone, DeviceInput)
    heard = np.concatenate([microphone.read(4_800) for _ in range(12)], axis=1)
    assert np.isfinite(heard).all()
    assert stream.now_s == pytest.approx(12 * 0.1), "nothing else was read"
    assert asked == [LATENCY_S]


def test_a_microphone_that_is_away_is_told_with_what_to_do(monkeypatch: pytest.MonkeyPatch) -> None:
    def missing(_name: str, _channels: int, _where: str, _latency_s: float) -> FakeStream:
        raise OSError("It is not there.")

    monkeypatch.setattr(device_input, "_Stream", missing)
    assert microphone_or_trouble("Ear", 1) == "It is not there. Plug it in and switch it on, or name another."


def test_without_portaudio_it_says_what_to_install(monkeypatch: pytest.MonkeyPatch) -> None:
    class NotThere:
        @staticmethod
        def open_input(*_: object, **__: float) -> None:
            raise OSError("PortAudio library not found")

    monkeypatch.setitem(sys.modules, "residue.live.device_input", NotThere)
    told = microphone_or_trouble("Ear", 1)
    assert told == "The microphone cannot be opened: PortAudio library not found. Install libportaudio2."


def test_the_beginning_is_the_earliest_that_the_readings_say() -> None:
    beginning = Beginning()
    for read_at_s in (13.0, 12.0, 14.5):  # a second each; the second one was read at once
        beginning.read(RATE_HZ, read_at_s)
    assert [beginning.frame_at(moment_s) for moment_s in (10.0, 12.0, 9.5)] == [0, 2 * RATE_HZ, -RATE_HZ // 2]
