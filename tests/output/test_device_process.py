"""The process that plays, with a stream in place of PortAudio's."""

from __future__ import annotations

import socket
import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from multiprocessing.connection import Connection
from queue import SimpleQueue
from types import SimpleNamespace

import msgspec
import numpy as np
import pytest

from residue.loudness.stage.ending import RISE
from residue.output import device_process, portaudio
from residue.output.device_answers import Answer, Opened, Written
from residue.output.device_process import BEYOND_S, FADES_BEFORE_S, serve

BLOCK = np.linspace(0.5, 1.0, len(RISE)).astype(np.float32)
PATIENCE_S = 60.0
LATENCY_S = 20.0
"""Longer than a busy machine keeps a test waiting between two blocks."""


class Stream:
    """Takes everything at once."""

    latency_s = LATENCY_S

    def __init__(self, *_: object) -> None:
        pass

    def write(self, frames: bytes) -> bool:
        played.put(np.frombuffer(frames, np.float32))
        return False

    def queued_frames(self) -> float:
        return 0.0


played: SimpleQueue[np.ndarray] = SimpleQueue()


@contextmanager
def sender(
    monkeypatch: pytest.MonkeyPatch, latency_s: float = LATENCY_S, *, timed: bool = False
) -> Iterator[Connection]:
    """The sender's end; at the end of the context the other end must have ended too."""
    monkeypatch.setattr(Stream, "latency_s", latency_s)
    monkeypatch.setattr(portaudio, "OutputStream", Stream)
    ours, theirs = socket.socketpair()
    end = Connection(theirs.detach())
    playing = threading.Thread(target=serve, args=(end, "gallery", 1, 48_000.0, latency_s), kwargs={"timed": timed})
    playing.start()
    connection = Connection(ours.detach())
    assert answer(connection) == Opened(latency_s)
    yield connection
    with suppress(OSError):
        connection.close()
    playing.join(PATIENCE_S)
    assert not playing.is_alive()
    end.close()


def answer(connection: Connection) -> Answer:
    told: Answer = msgspec.json.decode(connection.recv_bytes(), type=Answer)
    return told


def take() -> np.ndarray:
    return played.get(timeout=PATIENCE_S)


def test_when_the_sender_ends_the_last_block_fades_out_and_silence_follows(monkeypatch: pytest.MonkeyPatch) -> None:
    with sender(monkeypatch) as connection:
        for _ in range(2):
            connection.send_bytes(BLOCK.tobytes())
            assert answer(connection) == Written(late=False)
    assert np.array_equal(take(), BLOCK)
    assert np.allclose(take(), BLOCK * (1.0 - RISE), rtol=1e-6, atol=1e-7)
    silence = take()
    assert len(silence) == round((LATENCY_S + BEYOND_S) * 48_000)
    assert not silence.any()


def test_a_sender_that_is_killed_before_its_answer_fades_out_as_well(monkeypatch: pytest.MonkeyPatch) -> None:
    with sender(monkeypatch) as connection:
        connection.send_bytes(BLOCK.tobytes())
        connection.close()
    assert np.allclose(take(), BLOCK * (1.0 - RISE), rtol=1e-6, atol=1e-7)
    assert not take().any()


def test_a_sender_that_ends_within_a_message_fades_out_as_well(monkeypatch: pytest.MonkeyPatch) -> None:
    with sender(monkeypatch) as connection:
        connection.send_bytes(BLOCK.tobytes())
        answer(connection)
        with socket.socket(fileno=connection.fileno()) as raw:
            raw.sendall(b"\x00\x00\x4b\x00half")
            raw.detach()
    assert np.allclose(take(), BLOCK * (1.0 - RISE), rtol=1e-6, atol=1e-7)
    assert not take().any()


def test_a_sender_that_stalls_is_heard_to_fade_out_and_in_again(monkeypatch: pytest.MonkeyPatch) -> None:
    with sender(monkeypatch, latency_s=FADES_BEFORE_S) as connection:
        connection.send_bytes(BLOCK.tobytes())
        answer(connection)
        assert np.allclose(take(), BLOCK * (1.0 - RISE), rtol=1e-6, atol=1e-7)
        connection.send_bytes(BLOCK.tobytes())
        assert answer(connection) == Written(late=True)
        assert np.allclose(take(), BLOCK * RISE * (1.0 - RISE), rtol=1e-5, atol=1e-7)
    assert not take().any()


def test_the_readings_lie_evenly_over_the_steps_of_a_device(monkeypatch: pytest.MonkeyPatch) -> None:
    """So that one of twenty, 2 s of them, comes within a millisecond after a step of 10 ms."""
    pauses_s: list[float] = []
    monkeypatch.setattr(device_process, "time", SimpleNamespace(sleep=pauses_s.append, monotonic=lambda: 7.0))
    with sender(monkeypatch, timed=True) as connection:
        for number in range(20):
            connection.send_bytes(BLOCK.tobytes())
            told = answer(connection)
            assert isinstance(told, Written)
            assert told.reading is not None, number
            assert told.reading.at_s == 7.0
        places = np.sort(pauses_s)
    assert len(places) == 20
    assert 0.0 <= places[0] < 0.001
    assert np.diff(np.append(places, 0.01)).max() < 0.001
