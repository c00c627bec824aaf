from __future__ import annotations

from datetime import date

import pytest

from residue.loudness.outputs.calibration import Calibration, VibrationCalibration
from residue.loudness.outputs.origin import PlayedOn, foreign_calibrations
from residue.loudness.outputs.outputs import Output
from residue.problems import Severity

HERE = PlayedOn("Hall interface", "3fa9c1d2e4b7")


def measured(**origin: object) -> dict[str, Output]:
    calibration = Calibration(played_dbfs=-20.0, read_dba=74.0, read_dbc=76.0, on=date(2026, 3, 2), **origin)  # type: ignore[arg-type]
    return {"left": Output(device_channel=1, calibration=calibration), "right": Output(device_channel=2)}


def test_what_was_measured_here_holds() -> None:
    assert list(foreign_calibrations(measured(device="Hall interface", machine="3fa9c1d2e4b7"), HERE)) == []


@pytest.mark.parametrize(
    ("origin", "severity", "what"),
    [
        ({"invented": True}, Severity.STOPS, 'nobody measured how loud "Hall interface" is here'),
        ({"device": "Cellar", "machine": HERE.machine}, Severity.STOPS, 'on the device "Cellar"'),
        ({"device": HERE.device, "machine": "0" * 12}, Severity.STOPS, 'on another machine, "000000000000"'),
        ({}, Severity.WARNS, "does not say on which device"),
        ({"device": HERE.device}, Severity.WARNS, "does not say on which device and which machine"),
    ],
    ids=["invented", "another device", "another machine", "by hand", "by hand, with the device"],
)
def test_what_was_not_measured_here_is_told_with_its_place(
    origin: dict[str, object], severity: Severity, what: str
) -> None:
    [found] = foreign_calibrations(measured(**origin), HERE)
    assert (found.where, found.severity) == ("room.toml: output.left.calibration", severity)
    assert what in found.what
    assert "residue calibrate" in found.mend


def test_on_a_machine_without_identity_another_ones_calibration_is_refused() -> None:
    outputs = measured(device="Hall interface", machine="3fa9c1d2e4b7")
    [found] = foreign_calibrations(outputs, PlayedOn("Hall interface", None))
    assert found.severity is Severity.STOPS


def test_readings_of_vibration_are_looked_at_too() -> None:
    felt = VibrationCalibration(played_dbfs=-20.0, read_aw_m_per_s2=0.1, on=date(2026, 3, 2), invented=True)
    [found] = foreign_calibrations({"floor": Output(device_channel=1, vibration=felt)}, HERE)
    assert found.where == "room.toml: output.floor.vibration"
