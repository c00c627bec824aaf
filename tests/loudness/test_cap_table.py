"""The table of published rules for one room."""

from datetime import date

import pytest

from residue.loudness.calibration import Calibration, offset_db
from residue.loudness.cap_table import cap_table
from residue.loudness.caps import CapEntry
from residue.loudness.outputs import Output
from residue.loudness.rules import RULES
from residue.loudness.weightings import Weighting

CALIBRATED = Calibration(played_dbfs=-20.0, read_dba=74.2, read_dbc=76.0, on=date(2026, 3, 2))


def test_every_limit_of_every_rule_has_a_row() -> None:
    rows = cap_table([CapEntry(rule="who-2022")], {"left": Output(device_channel=1)})
    assert [row.rule for row in rows] == [name for name, rule in RULES.items() for _ in rule.limits]
    assert [row.rule for row in rows if row.in_force] == ["who-2022"]
    assert all(row.limit_dbfs is None for row in rows)
    assert rows[0].window == "15 min"


def test_a_calibrated_room_is_told_what_a_limit_is_at_its_outputs() -> None:
    (row, *_) = cap_table([], {"left": Output(device_channel=1, calibration=CALIBRATED)})
    assert row.limit_dbfs == pytest.approx(100.0 - offset_db(CALIBRATED, Weighting.A, "speaker"))
