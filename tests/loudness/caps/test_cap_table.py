"""What caps mean for one room."""

from datetime import date

import msgspec
import pytest

from residue.loudness.caps.cap_table import room_rows, rule_rows
from residue.loudness.caps.caps import CapEntry, expand
from residue.loudness.caps.ears import MARGIN_DB
from residue.loudness.caps.instants import PEAK_MARGIN_DB
from residue.loudness.caps.rules import RULES
from residue.loudness.meters.weightings import Weighting
from residue.loudness.outputs.calibration import (
    Calibration,
    VibrationCalibration,
    felt_offset_db,
    offset_db,
)
from residue.loudness.outputs.outputs import Output

CALIBRATED = Calibration(played_dbfs=-20.0, read_dba=74.2, read_dbc=76.0, on=date(2026, 3, 2))
SHAKEN = VibrationCalibration(played_dbfs=-20.0, read_aw_m_per_s2=0.2, on=date(2026, 3, 2))


def test_every_rule_has_a_row_and_those_in_force_are_marked() -> None:
    rows = rule_rows([CapEntry(rule="who-2022")], {"left": Output(device_channel=1)})
    assert [row.name for row in rows] == list(RULES)
    assert [row.name for row in rows if row.in_force] == ["who-2022"]
    assert all(cap.limit_dbfs is None and cap.loudest is None for row in rows for cap in row.caps)


def test_a_calibrated_room_is_told_which_output_reaches_a_limit_first_and_at_which_level() -> None:
    outputs = {
        "quiet": Output(device_channel=1, calibration=CALIBRATED),
        "loud": Output(device_channel=2, calibration=msgspec.structs.replace(CALIBRATED, played_dbfs=-30.0)),
    }
    (row,) = room_rows(expand([CapEntry(rule="who-2022")]), outputs)
    assert row.loudest == "loud"
    assert row.limit_dbfs == pytest.approx(
        100.0 - offset_db(CALIBRATED, Weighting.A, "speaker") - 10.0 - MARGIN_DB[Weighting.A]
    )


def test_a_peak_reaches_its_cap_below_the_limit_by_its_own_margin_too() -> None:
    (row,) = room_rows(expand([CapEntry(quantity="LCpeak", limit_dbfs=-14.0)]), {"left": Output(device_channel=1)})
    assert row.limit_dbfs == pytest.approx(-14.0 - MARGIN_DB[Weighting.C] - PEAK_MARGIN_DB)


def test_vibration_is_told_by_the_output_that_was_measured_to_shake() -> None:
    outputs = {
        "left": Output(device_channel=1, calibration=CALIBRATED),
        "floor": Output(device_channel=2, calibration=CALIBRATED, vibration=SHAKEN, transducer="shaker"),
    }
    (row,) = room_rows(expand([CapEntry(quantity="A(8)", limit_m_per_s2=0.5)]), outputs)
    assert (row.cap.name, row.cap.limit_in_words, row.loudest) == ("A(8)", "0.5 m/s²", "floor")
    expected_dbfs = -6.02 - felt_offset_db(SHAKEN, "shaker") - MARGIN_DB[Weighting.WK]
    assert row.limit_dbfs == pytest.approx(expected_dbfs, abs=0.01)


def test_the_bound_on_a_coil_stands_in_the_table() -> None:
    outputs = {"floor": Output(device_channel=1, transducer="shaker", long_term_dbfs=-9.0)}
    (row,) = room_rows([], outputs)
    assert (row.cap.name, row.limit_dbfs) == ("long-term power of floor", -9.0)
