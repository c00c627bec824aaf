"""Brings together what a calibration needs: the room, the sound device, and the person at the terminal."""

from __future__ import annotations

import signal
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from types import FrameType

from residue.columns import columns, folded
from residue.installation.load import ROOM, room_of
from residue.installation.room import Room
from residue.installation.room_file import record
from residue.loudness.outputs.calibration import Origin
from residue.output.opening import check_device, routing_of, sink_opener
from residue.output.returning import ReturningSink
from residue.problems import ProblemError, stopping, stops
from residue.runtime.calibration.calibrating import Calibrating, Measured, Technician, identify, told
from residue.runtime.calibration.calibration_player import CalibrationPlayer, running
from residue.runtime.journal.event_kinds import CALIBRATED
from residue.runtime.journal.evidence import Evidence
from residue.runtime.journal.tallies import Circumstances
from residue.runtime.system.clock import Clock
from residue.runtime.system.ending_signals import handled
from residue.runtime.system.files import occupied
from residue.runtime.system.machine_identity import machine_identity

_CIRCUMSTANCES = Circumstances(house="calibrating", performance=None, playhead_s=None, plan_gain_db=None, trim_db=0.0)


class Terminal:
    """A person who reads standard output and types."""

    def tell(self, text: str) -> None:
        """Shows a text at once."""
        sys.stdout.write(f"{folded(text, columns())}\n")
        sys.stdout.flush()

    def ask(self, question: str) -> str:
        """Returns one line, with the line editing of the terminal."""
        return input(question)


@dataclass(frozen=True)
class Bench:
    """The place of a calibration: installation, device, state folder, clock.

    device: if None, that of room.toml. state: the folder of the level log.
    """

    folder: Path
    device: str | None
    state: Path
    clock: Clock

    def calibrate(self, technician: Technician) -> list[str]:
        """Calibrates a room output by output; returns the names of the calibrated ones. Raises ProblemError."""
        with self._set_up() as (room, player, evidence):
            today = self.clock.now().astimezone().date()
            origin = Origin(on=today, device=self.device or room.device, machine=machine_identity())

            def save(name: str, measured: Measured) -> None:
                record(self.folder / ROOM, name, measured)
                evidence.happened(CALIBRATED, told(name, room.output[name], measured).replace("\n", " "))

            remark = partial(evidence.happened, CALIBRATED)
            return Calibrating(room, technician, player, origin, save, remark).walk()

    def tone(self, output: str, technician: Technician) -> None:
        """Makes one output of a room play its number. Raises ProblemError."""
        with self._set_up() as (room, player, _):
            identify(room, output, technician, player)

    @contextmanager
    def _set_up(self) -> Iterator[tuple[Room, CalibrationPlayer, Evidence]]:
        """A player on a device that exists; when the context ends for any reason, the sound fades out first."""
        room = room_of(self.folder)
        device = self.device or room.device
        findings = check_device(device, room.output, self.folder)
        if stops(findings):
            raise ProblemError(findings)
        sink = ReturningSink(sink_opener(device, routing_of(room.output), self.folder))
        # Before its first reading, an output counts as louder than any real one, so that the log is never too low.
        evidence = Evidence(self.state, self.clock)
        player = CalibrationPlayer(sink, room.output, partial(evidence.sent, then=_CIRCUMSTANCES), evidence.lags)
        kept = evidence.kept("Calibrating.", "Calibration ended.")
        ended = handled((signal.SIGTERM, signal.SIGHUP), _like_ctrl_c)
        with occupied(self.state), ended, kept, running(player, sink, evidence.cut):
            yield room, player, evidence


def _like_ctrl_c(number: int, _frame: FrameType | None) -> None:
    """A closed terminal or a shutdown ends the sound like Ctrl-C, with a fade."""
    raise KeyboardInterrupt(signal.Signals(number).name)


def person_at_terminal() -> Terminal:
    """Raises ProblemError where nobody can press a key."""
    if not sys.stdin.isatty():
        what = "This is not a terminal, and the noise gets louder only when a person presses a key."
        raise stopping("residue calibrate", what, "Run it in a terminal, by hand.")
    return Terminal()
