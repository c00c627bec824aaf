"""The origin of a calibration, and whether it is valid for the device and the machine that play."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from residue.loudness.outputs.calibration import AnyCalibration
from residue.loudness.outputs.outputs import Output
from residue.problems import Finding, Severity


@dataclass(frozen=True, slots=True)
class PlayedOn:
    """The sound device by its name in room.toml, and the machine, None where it has no identity."""

    device: str
    machine: str | None


def foreign_calibrations(outputs: Mapping[str, Output], player: PlayedOn) -> Iterator[Finding]:
    """Finds calibrations that were invented, or measured on another device or machine."""
    for name, output in outputs.items():
        for key, held in output.calibrations.items():
            yield from _foreign(f"room.toml: output.{name}.{key}", held, player)


def _foreign(where: str, held: AnyCalibration, player: PlayedOn) -> Iterator[Finding]:
    if held.invented:
        what = f'This calibration is invented: nobody measured how loud "{player.device}" is here.'
        mend = 'Measure: residue calibrate. Or play without sound: device = "silent".'
        yield Finding(Severity.STOPS, where, what, mend)
        return
    if held.device is not None and held.device != player.device:
        what = f'It was measured on the device "{held.device}", and "{player.device}" plays.'
        mend = f"{_MEASURE} Or name the device that was measured, in room.toml: device."
        yield Finding(Severity.STOPS, where, what, mend)
    if held.machine is not None and held.machine != player.machine:
        what = f'It was measured on another machine, "{held.machine}".'
        mend = _MEASURE
        if player.machine is not None:
            mend += f' Or, if all that hung on that machine hangs on this one now, write machine = "{player.machine}".'
        yield Finding(Severity.STOPS, where, what, mend)
    if held.device is None or held.machine is None:
        what = "It does not say on which device and which machine it was measured, so a copy would not be noticed."
        yield Finding(Severity.WARNS, where, what, f"{_MEASURE} Or, if it was here, write into it: {_origin(player)}.")


_MEASURE = "Measure again: residue calibrate."


def _origin(player: PlayedOn) -> str:
    machine = "" if player.machine is None else f', machine = "{player.machine}"'
    return f'device = "{player.device}"{machine}'
