"""The caps of a day are those that were in force then, whatever room.toml says now."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import msgspec
import pytest

from residue.loudness.caps.caps import CapEntry, expand
from residue.loudness.outputs.outputs import Output
from residue.runtime.journal.caps_in_force import CapsRow, caps_said
from residue.runtime.journal.log import timestamp
from residue.runtime.report.caps_then import caps_then

DAY = datetime(2026, 12, 3, tzinfo=UTC)
OUTPUTS = {"left": Output(device_channel=1)}
HOUR_S = 3_600.0


def row(since_h: float, *limits_dbfs: float, quantity: str = "LAeq") -> CapsRow:
    entries = [CapEntry(quantity=quantity, window_s=HOUR_S, limit_dbfs=limit) for limit in limits_dbfs]
    said = caps_said(expand(entries), OUTPUTS)
    utc = timestamp(DAY + timedelta(hours=since_h))
    return CapsRow(utc=utc, said=msgspec.json.encode(said).decode())


def told(*rows: CapsRow) -> list[tuple[str, float, float, float]]:
    """Quantity, limit, and between which hours of the day a window has to end to be held against it."""
    found = caps_then(rows, DAY, DAY + timedelta(days=1))
    assert found is not None
    return [(one.said.quantity, one.said.limit, hour(one.after), hour(one.until)) for one in found]


def hour(moment: datetime) -> float:
    """Of the day, from 0 to 24."""
    return min(24.0, max(0.0, (moment - DAY).total_seconds() / HOUR_S))


@pytest.mark.parametrize(
    ("rows", "expected"),
    [
        pytest.param([row(-9, -20.0)], [("LAeq", -20.0, 0, 24)], id="one all day"),
        pytest.param([row(-9, -20.0), row(15, -20.0)], [("LAeq", -20.0, 0, 24)], id="the same after a start"),
        pytest.param(
            [row(-9, -20.0), row(15, -23.0)],
            [("LAeq", -20.0, 0, 16), ("LAeq", -23.0, 16, 24)],
            id="stricter: a window with sound of before is held against the limit of before",
        ),
        pytest.param(
            [row(-9, -23.0), row(15, -20.0)],
            [("LAeq", -23.0, 0, 15), ("LAeq", -20.0, 15, 24)],
            id="looser: a window that goes on is held against the limit of then",
        ),
        pytest.param(
            [row(-9, -20.0), row(15, -20.0, -30.0, quantity="LCeq")],
            [("LAeq", -20.0, 0, 15), ("LCeq", -20.0, 16, 24), ("LCeq", -30.0, 16, 24)],
            id="another kind of cap holds for windows that begin under it",
        ),
        pytest.param(
            [row(-9, -20.0), row(-0.5, -23.0)],
            [("LAeq", -20.0, 0, 0.5), ("LAeq", -23.0, 0.5, 24)],
            id="changed just before midnight",
        ),
        pytest.param([row(9, -20.0)], [("LAeq", -20.0, 0, 24)], id="before the first row the house did not run"),
        pytest.param([row(-9, -20.0), row(30, -30.0)], [("LAeq", -20.0, 0, 24)], id="the next day's are not the day's"),
    ],
)
def test_each_window_is_held_against_the_caps_in_force_in_it(
    rows: list[CapsRow], expected: list[tuple[str, float, float, float]]
) -> None:
    assert told(*rows) == expected


def test_without_a_row_that_can_be_read_nobody_knows_them() -> None:
    unknown = CapsRow(utc=timestamp(DAY), said=row(0, -20.0).said.replace('"LAeq"', '"LQeq"'))
    assert caps_then([], DAY, DAY + timedelta(days=1)) is None
    assert caps_then([unknown], DAY, DAY + timedelta(days=1)) is None
