"""The measuring microphone without a daemon: what is to be written of its calibrator, and whether it can be used."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from datetime import date
from pathlib import Path

from residue.installation.load import ROOM, room_of
from residue.installation.room import Room
from residue.live.sound_input import SoundInput
from residue.mapping.signals import AUDIO_RATE_HZ, seconds
from residue.output.device_list import SoundDevice, list_devices
from residue.output.devices import find
from residue.problems import Finding, ProblemError, Severity, stopping
from residue.proof.calibrator import read_calibrator
from residue.proof.settings import Microphone
from residue.proof.sweep import SLOT_FRAMES

WHERE = f"{ROOM}: microphone"
_SPARE_S = 15.0
"""More than the house keeps for the microphone to open and the figures to be worked out; our choice."""


def microphone_of(folder: Path) -> Microphone:
    """The microphone of a room. Raises ProblemError where it has none."""
    microphone = room_of(folder).microphone
    if microphone is None:
        mend = 'Write a table [microphone] with device = "…" and before_opening_min = 10.'
        raise stopping(WHERE, "This room has no microphone.", mend)
    return microphone


def calibration_line(microphone: Microphone, opened: SoundInput, level_db: float, on: date) -> str:
    """The line for room.toml, from what it gives for a calibrator. Raises ProblemError."""
    try:
        read = read_calibrator(opened, microphone.input, level_db, on)
    except ValueError as error:
        raise stopping(f"{WHERE}.calibration", str(error), "") from error
    return f"calibration = {{ read_dbfs = {read.read_dbfs:.2f}, level_db = {read.level_db:g}, on = {read.on} }}"


def microphone_findings(
    room: Room, devices: Callable[[float], Sequence[SoundDevice]] = list_devices
) -> Iterator[Finding]:
    """Finds a microphone that is away, one that nobody calibrated, and too little time for its proof."""
    microphone = room.microphone
    if microphone is None:
        return
    try:
        inputs = [{"name": one.name, "inputs": one.inputs} for one in devices(AUDIO_RATE_HZ) if one.inputs]
        found = find(microphone.device, inputs, f"{WHERE}.device")
        if found["inputs"] < microphone.input:
            what = f'"{microphone.device}" has {found["inputs"]} inputs, and input {microphone.input} is named.'
            yield Finding(Severity.WARNS, f"{WHERE}.input", what, f"Write a number from 1 to {found['inputs']}.")
    except ProblemError as error:
        yield from error.findings
    except OSError as error:
        yield Finding(Severity.WARNS, f"{WHERE}.device", str(error), "Plug it in, or name another.")
    if microphone.calibration is None:
        what = "No calibrator was read with this microphone, so the background is told in dBFS. Proofs need none."
        yield Finding(Severity.NOTES, f"{WHERE}.calibration", what, "Read one: residue calibrate --microphone.")
    needed_min = (seconds(len(room.output) * SLOT_FRAMES) + _SPARE_S) / 60.0
    if needed_min > microphone.before_opening_min:
        what = f"The sweeps through {len(room.output)} outputs take {needed_min:.1f} min."
        yield Finding(Severity.WARNS, f"{WHERE}.before_opening_min", what, "Write more.")
    for number, one in enumerate(room.equipment, start=1):
        if one.on_before_s < 60.0 * microphone.before_opening_min:
            what = (
                f"{one.name} is switched on {one.on_before_s / 60.0:g} min before the opening, after the proof begins."
            )
            mend = "If it carries sound, write on_before_s so that it is on by then."
            yield Finding(Severity.NOTES, f"{ROOM}: equipment[{number}].on_before_s", what, mend)
    before = f"{microphone.before_opening_min:g} min before the first opening of a day"
    what = f"A quiet sweep goes through each output {before}, outside the hours."
    yield Finding(Severity.NOTES, WHERE, what, "")
