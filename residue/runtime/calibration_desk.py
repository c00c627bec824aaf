"""Brings together what a calibration needs: the room, the sound device, and the person at the terminal."""

from __future__ import annotations

import signal
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from functools import partial
from pathlib import Path
from types import FrameType

from residue.installation.load import ROOM, room_of
from residue.installation.room import Room
from residue.installation.room_file import record
from residue.output.opening import check_device, routing_of, sink_opener
from residue.output.returning import ReturningSink
from residue.problems import ProblemError, stopping, stops
from residue.runtime.calibrating import Calibrating, Technician, identify
from residue.runtime.calibration_player import CalibrationPlayer, running
from residue.runtime.clock import Clock


class Terminal:
    """A person who reads standard output and types."""

    def tell(self, text: str) -> None:
        """Show it at once."""
        sys.stdout.write(f"{text}\n")
        sys.stdout.flush()

    def ask(self, question: str) -> str:
        """One line, with the line editing that the terminal has."""
        return input(question)


def calibrate(folder: Path, device: str | None, technician: Technician, clock: Clock) -> list[str]:
    """Calibrate a room output by output; the names of those that were. Raises ProblemError."""
    room = room_of(folder)
    with _bench(room, device or room.device, folder) as player:
        save = partial(record, folder / ROOM)
        today = clock.now().astimezone().date()
        return Calibrating(room, technician, player, today, save).walk()


def tone(folder: Path, device: str | None, output: str, technician: Technician) -> None:
    """Let one output of a room count its number. Raises ProblemError."""
    room = room_of(folder)
    with _bench(room, device or room.device, folder) as player:
        identify(room, output, technician, player)


@contextmanager
def _bench(room: Room, device: str, folder: Path) -> Iterator[CalibrationPlayer]:
    """A player on a device that is there; whatever ends the context, the sound fades out first."""
    findings = check_device(device, room.output, folder)
    if stops(findings):
        raise ProblemError(findings)
    sink = ReturningSink(sink_opener(device, routing_of(room.output), folder))
    player = CalibrationPlayer(sink, room.output)
    with _ended_like_ctrl_c(), running(player, sink):
        yield player


@contextmanager
def _ended_like_ctrl_c() -> Iterator[None]:
    """A closed terminal or a shutdown ends the sound as Ctrl-C does, and not in the middle of it."""

    def end(number: int, _frame: FrameType | None) -> None:
        raise KeyboardInterrupt(signal.Signals(number).name)

    former = {number: signal.signal(number, end) for number in (signal.SIGTERM, signal.SIGHUP)}
    try:
        yield
    finally:
        for number, handler in former.items():
            signal.signal(number, handler)


def person_at_terminal() -> Terminal:
    """Raises ProblemError where nobody can press a key."""
    if not sys.stdin.isatty():
        what = "Nobody sits at a terminal, and it gets louder only when somebody presses a key."
        raise stopping("residue calibrate", what, "Run it in a terminal, by hand.")
    return Terminal()
