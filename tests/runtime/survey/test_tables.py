"""The table as other programs read it."""

from __future__ import annotations

import csv
import importlib
from io import BytesIO, StringIO
from pathlib import Path
from typing import Any

import pytest

from residue.runtime.survey import tables
from residue.runtime.survey.columns import SurveyColumn, columns
from residue.runtime.survey.examining import commissioned
from residue.runtime.survey.row import SurveyedPerformance, SurveyedReading
from residue.runtime.survey.tables import csv_table, parquet_table
from tests.runtime.survey.collection import piece

parquet: Any = importlib.import_module("pyarrow.parquet")

ROWS = [
    SurveyedPerformance(
        name="Brötchen, um 4",
        intact=True,
        fits=True,
        plays_s=292.4,
        plan_gain_db=-0.5,
        integrated_lufs=-17.58,
        section_s=[120.0, 172.4, None],
        reading={"push": SurveyedReading(trust=0.9, mean=0.2), "rate": SurveyedReading(trust=0.0)},
    ),
    SurveyedPerformance(name="=1+1", problems='It "fails",\nhere.'),
]


@pytest.fixture
def columned(tmp_path: Path) -> list[SurveyColumn]:
    installation, _ = commissioned(piece(tmp_path / "piece"))
    return columns(installation.graph)


def test_csv_and_parquet_hold_the_same(columned: list[SurveyColumn]) -> None:
    """Read by the csv module and by pyarrow, neither of which is ours."""
    written, findings = parquet_table(columned, ROWS, {"piece": "Bread Shelf"})
    assert written is not None
    assert findings == []
    table = parquet.read_table(BytesIO(written))
    lines = list(csv.DictReader(StringIO(csv_table(columned, ROWS).decode(), newline="")))
    assert table.column_names == [column.name for column in columned] == list(lines[0])
    for line, row in zip(lines, table.to_pylist(), strict=True):
        for name, value in row.items():
            told = "" if value is None else str(value).lower() if isinstance(value, bool) else str(value)
            assert line[name] == told
    assert table.to_pylist()[0]["section_2_well_kneaded_s"] == 172.4
    assert table.to_pylist()[0]["rate_mean"] is None
    assert table.schema.metadata[b"piece"] == b"Bread Shelf"
    assert table.schema.field("plays_s").metadata[b"says"] == b"the length of the piece with it"


def test_types_do_not_depend_on_what_is_missing(columned: list[SurveyColumn]) -> None:
    """A column without any value keeps its type, so that tables of two collections can be joined."""
    one, _ = parquet_table(columned, ROWS, {})
    other, _ = parquet_table(columned, [SurveyedPerformance(name="bare", problems="It is empty.")], {})
    assert one is not None
    assert other is not None
    assert parquet.read_schema(BytesIO(one)) == parquet.read_schema(BytesIO(other))


def test_names_of_columns_are_names_once(columned: list[SurveyColumn]) -> None:
    names = [column.name for column in columned]
    assert len(names) == len(set(names))


def test_without_the_library_the_line_that_installs_it_is_told(
    columned: list[SurveyColumn], monkeypatch: pytest.MonkeyPatch
) -> None:
    def missing(name: str) -> Any:
        raise ImportError(name)

    monkeypatch.setattr(tables, "importlib", type("Missing", (), {"import_module": staticmethod(missing)}))
    written, (finding,) = parquet_table(columned, ROWS, {})
    assert written is None
    assert "pip install pyarrow" in str(finding)
