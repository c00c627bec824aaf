from __future__ import annotations

from datetime import date

import pytest

from residue.loudness.outputs.calibration import Calibration
from residue.loudness.outputs.outputs import Output
from residue.runtime.calibration.own_calibration import check_own_calibrations

INVENTED = Calibration(played_dbfs=-20.0, read_dba=74.0, read_dbc=76.0, on=date(2026, 3, 2), invented=True)


@pytest.mark.parametrize(("device", "refused"), [("silent", False), ("file:out.wav", False), ("Hall interface", True)])
def test_an_invented_calibration_is_refused_where_somebody_hears_it(device: str, *, refused: bool) -> None:
    found = check_own_calibrations(device, {"left": Output(device_channel=1, calibration=INVENTED)})
    assert bool(found) is refused
