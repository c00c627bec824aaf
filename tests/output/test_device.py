"""The daemon's end of a sound device: another process at the other end, in place of the one that plays."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Callable
from functools import partial

import numpy as np
import pytest

from residue.loudness.meters.hops import HOP_S
from residue.loudness.stage.capped import Capped, Seal
from residue.output import device
from residue.output.device import DeviceOpener
from residue.output.returning import ReturningSink
from residue.output.routing import Routing
from residue.output.sink import SinkLostError, SinkNotYetError
from residue.problems import ProblemError

PLAYER = """
import os, sys, time
from multiprocessing.connection import Connection
import msgspec
from residue.output.device_answers import Lost, Opened, Written, Wrong
from residue.problems import stopping
connection = Connection(os.dup(0))
def answer(one): connection.send_bytes(msgspec.json.encode(one))
def takes(): return len(connection.recv_bytes())
"""
PLAYS = "answer(Opened(0.4))\nwhile takes(): answer(Written(True))"
HANGS = "time.sleep(60)"
Plays = Callable[[str], None]


@pytest.fixture
def plays(monkeypatch: pytest.MonkeyPatch) -> Plays:
    """Says what the process does that is begun next."""

    def does(what: str) -> None:
        monkeypatch.setattr(device, "command_of", lambda _module, _arguments: [sys.executable, "-c", PLAYER + what])

    return does


@pytest.fixture
def begun(monkeypatch: pytest.MonkeyPatch) -> list[subprocess.Popen[bytes]]:
    """The processes that were begun."""
    processes: list[subprocess.Popen[bytes]] = []
    popen = subprocess.Popen

    def begins(*arguments: object, **options: object) -> subprocess.Popen[bytes]:
        processes.append(popen(*arguments, **options))  # type: ignore[call-overload]
        return processes[-1]

    monkeypatch.setattr(subprocess, "Popen", begins)
    return processes


def block(channels: int) -> Capped:
    return Capped(np.zeros((channels, 4_800)), Seal())


def opener(channels: int = 2) -> DeviceOpener:
    return DeviceOpener("gallery", Routing(tuple(range(1, channels + 1))))


def test_frames_are_taken_and_what_came_late_is_counted(plays: Plays) -> None:
    plays(PLAYS)
    sink = opener()()
    for _ in range(3):
        sink.write(block(2))
    assert sink.latency_s == pytest.approx(0.4 + HOP_S), "the last block is held back"
    assert sink.late_blocks == 3
    sink.close()


def test_what_is_wrong_with_a_device_is_told_as_it_was_found(plays: Plays) -> None:
    plays("answer(Wrong(stopping('room.toml: output', 'It has 2 channels.', 'Name another.').findings))")
    with pytest.raises(ProblemError, match=r"room\.toml: output: It has 2 channels\. Name another\."):
        opener()()


def test_a_device_that_is_not_there_is_told_with_the_reason(plays: Plays) -> None:
    plays("answer(Lost('It is unplugged.'))")
    with pytest.raises(SinkLostError, match="It is unplugged"):
        opener()()


@pytest.mark.parametrize(
    ("what", "told"),
    [
        (f"answer(Opened(0.4)); takes(); {HANGS}", "hangs"),
        ("answer(Opened(0.4)); takes(); answer(Lost('It is gone.'))", "It is gone"),
        ("answer(Opened(0.4)); takes(); os._exit(1)", "ended unexpectedly"),
        (f"answer(Opened(0.4)); {HANGS}", "hangs"),
    ],
    ids=["hangs", "says that it is gone", "crashes", "reads nothing"],
)
@pytest.mark.parametrize("channels", [2, 32])
def test_a_loss_while_it_plays_is_told_with_the_reason(plays: Plays, what: str, told: str, channels: int) -> None:
    """32 channels are more than a socket holds, so that sending them hangs as well."""
    plays(what)
    sink = opener(channels)()
    with pytest.raises(SinkLostError, match=told):
        sink.write(block(channels))
    sink.close()


def test_an_opening_that_hangs_is_ended(
    plays: Plays, begun: list[subprocess.Popen[bytes]], monkeypatch: pytest.MonkeyPatch
) -> None:
    plays(HANGS)
    monkeypatch.setattr(device, "OPEN_S", 0.5)
    with pytest.raises(SinkLostError, match="hangs"):
        opener()()
    assert begun[0].poll() is not None


def test_only_the_first_opening_is_waited_for(plays: Plays) -> None:
    plays(f"time.sleep(1.0)\n{PLAYS}")
    opens = opener()
    opens().close()
    for _ in range(2):
        with pytest.raises(SinkNotYetError, match="is being opened"):
            opens()
    with pytest.raises(SinkNotYetError) as raised:
        opens()
    raised.value.leave_off()


@pytest.mark.parametrize("ends", [ReturningSink.close, partial(ReturningSink.give_up, why="Somebody wants silence.")])
def test_what_is_being_opened_ends_with_the_sink(
    plays: Plays, begun: list[subprocess.Popen[bytes]], ends: Callable[[ReturningSink], None]
) -> None:
    now_s = [0.0]
    plays(PLAYS)
    returning = ReturningSink(opener(), lambda: now_s[0], lambda _s: None)
    plays(HANGS)
    returning.reopen("The plug is moved.")
    now_s[0] += 10.0
    returning.write(block(2))
    assert len(begun) == 2
    assert begun[1].poll() is None
    ends(returning)
    assert begun[1].poll() is not None


def test_a_process_that_cannot_be_ended_has_no_other_beside_it(plays: Plays, monkeypatch: pytest.MonkeyPatch) -> None:
    """One that hangs in the kernel."""
    plays(PLAYS)
    opens = opener()
    sink = opens()
    monkeypatch.setattr(device._Process, "lives", True)
    sink.close()
    with pytest.raises(SinkLostError, match="cannot be ended"):
        opens()


def test_a_process_that_cannot_be_begun_is_a_device_that_is_not_there(monkeypatch: pytest.MonkeyPatch) -> None:
    def fails(*_arguments: object, **_options: object) -> None:
        raise BlockingIOError(11, "Resource temporarily unavailable")

    monkeypatch.setattr(subprocess, "Popen", fails)
    returning = ReturningSink(opener())
    assert returning.lost is not None
    assert "Resource temporarily unavailable" in returning.lost
