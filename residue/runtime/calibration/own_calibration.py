"""Checks whether the calibrations of a room were measured on the present device and machine."""

from __future__ import annotations

from collections.abc import Mapping

from residue.loudness.outputs.origin import PlayedOn, foreign_calibrations
from residue.loudness.outputs.outputs import Output
from residue.output.opening import is_real
from residue.problems import Finding
from residue.runtime.system.machine_identity import machine_identity


def check_own_calibrations(device: str, outputs: Mapping[str, Output]) -> list[Finding]:
    """Finds calibrations that are not valid here; none where the device is not a real one, so that nobody hears it."""
    return list(foreign_calibrations(outputs, PlayedOn(device, machine_identity()))) if is_real(device) else []
