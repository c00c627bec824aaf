from datetime import date

import numpy as np
import pytest

from residue.loudness.caps.caps import CapEntry, expand
from residue.loudness.outputs.calibration import Calibration
from residue.loudness.outputs.outputs import Output
from residue.loudness.plan.room_findings import check_room
from residue.loudness.stage.cut_off import cut_off_db
from tests.reference.analogue_meter import RATE_HZ, fast_maximum_of, peak_of, weighted

CEILING = 10 ** (-1.5 / 20)
"""Of an output at its default of -1 dBTP, with the half dB that the limiter leaves."""


@pytest.mark.parametrize("hz", [10.0, 25.0, 63.0])
def test_no_tone_that_is_cut_off_clicks_louder_than_is_told(hz: float) -> None:
    """At the cap already, with the meters that are written from the standards."""
    time = np.arange(RATE_HZ // 2) / RATE_HZ
    tone = CEILING * np.minimum(1.0, time * 10) * np.sin(2 * np.pi * hz * time)
    found: dict[str, list[float]] = {"LCpeak": [], "LAFmax": []}
    for early in range(8):
        cut = len(time) - round(early / 8 * RATE_HZ / hz)
        sound = np.pad(tone[:cut], (0, RATE_HZ // 4))
        found["LCpeak"].append(peak_of(weighted(sound, "C")[cut:]))
        needle = weighted(sound, "A")
        needle[:cut] = 0.0  # what the needle shows at the cut is within the cap, and falls
        found["LAFmax"].append(fast_maximum_of(needle))
    for quantity, limit_dbfs in (("LCpeak", -20.0), ("LAFmax", -32.0)):
        [cap] = expand([CapEntry(quantity=quantity, limit_dbfs=limit_dbfs)])
        told_db = cut_off_db(cap, {"left": Output(device_channel=1)})
        clicks = max(found[quantity])
        if quantity == "LAFmax":
            clicks = 10 * float(np.log10(10 ** (clicks / 10) + 10 ** (limit_dbfs / 10)))
        assert told_db - 16.0 < clicks - limit_dbfs <= told_db


def test_a_room_is_told_of_the_clicks_that_could_pass_its_caps() -> None:
    read = Calibration(played_dbfs=-20.0, read_dba=84.0, read_dbc=87.5, on=date(2026, 3, 2))
    outputs = {"left": Output(device_channel=1, calibration=read)}
    high, low = CapEntry(quantity="LCpeak", limit_db=130.0), CapEntry(quantity="LCpeak", limit_db=100.0)
    assert not [one for one in check_room([high], outputs, ears_unknown=False) if "clicks" in one.what]
    [told] = [one for one in check_room([low], outputs, ears_unknown=False) if "clicks" in one.what]
    assert "LCpeak of 100 dB(C) can then be passed by" in told.what
    [cap] = expand([low])
    lower = cut_off_db(cap, {"left": Output(device_channel=1, calibration=read, ceiling_dbtp=-7.0)})
    assert cut_off_db(cap, outputs) - lower == pytest.approx(6.0)
