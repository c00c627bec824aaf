"""The table of a survey as CSV and as Parquet, with the same columns, and the same bytes for the same rows."""

from __future__ import annotations

import csv
import importlib
from collections.abc import Mapping, Sequence
from io import BytesIO, StringIO
from typing import Any

from residue.archive.ingest.extras import install_command
from residue.problems import Finding, Severity
from residue.runtime.survey.columns import Cell, SurveyColumn
from residue.runtime.survey.row import SurveyedPerformance

PARQUET = "survey.parquet"


def csv_table(columns: Sequence[SurveyColumn], rows: Sequence[SurveyedPerformance]) -> bytes:
    """UTF-8, commas, a header; what does not exist is empty."""
    text = StringIO()
    writer = csv.writer(text)
    writer.writerow([column.name for column in columns])
    writer.writerows([_written(column.of(row)) for column in columns] for row in rows)
    return text.getvalue().encode()


def _written(value: Cell) -> str:
    if value is None:
        return ""
    return str(value).lower() if isinstance(value, bool) else str(value)


def parquet_table(
    columns: Sequence[SurveyColumn], rows: Sequence[SurveyedPerformance], facts: Mapping[str, str]
) -> tuple[bytes | None, list[Finding]]:
    """The same; None, with how to install what is missing, where the library for it is not there.

    facts: of the whole table. What a column means stands in its metadata, under "says".
    """
    try:
        arrow: Any = importlib.import_module("pyarrow")
        parquet: Any = importlib.import_module("pyarrow.parquet")
    except ImportError:
        what = "It is not written: the library for it is not installed here."
        return None, [Finding(Severity.NOTES, PARQUET, what, f"Install it with: {install_command('pyarrow')}")]
    types = {str: arrow.string(), float: arrow.float64(), int: arrow.int64(), bool: arrow.bool_()}
    fields = [arrow.field(column.name, types[column.type], metadata={"says": column.says}) for column in columns]
    values = [[column.of(row) for row in rows] for column in columns]
    table = arrow.table(values, schema=arrow.schema(fields, metadata=dict(facts)))
    written = BytesIO()
    parquet.write_table(table, written)
    return written.getvalue(), []
