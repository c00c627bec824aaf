"""Writes a survey into a folder: the table as CSV and Parquet, and the page."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import residue
from residue.archive.beside import file_beside
from residue.installation.load import Installation
from residue.problems import Finding
from residue.runtime.planning.preparation import piece_digest, room_digest
from residue.runtime.survey.columns import columns
from residue.runtime.survey.page import page
from residue.runtime.survey.row import SurveyedPerformance
from residue.runtime.survey.tables import PARQUET, csv_table, parquet_table

CSV, PAGE = "survey.csv", "survey.html"
SO_FAR = ".survey-so-far"
"""The folder in which the rows of an unfinished survey are kept."""


def write_survey(installation: Installation, rows: Sequence[SurveyedPerformance], out: Path) -> list[Finding]:
    """Writes everything; files of the same names are replaced. The findings tell what was not written.

    Raises ProblemError.
    """
    facts = {
        "piece": installation.piece.title,
        "piece_sha256": piece_digest(installation),
        "room_sha256": room_digest(installation),
        "residue": residue.__version__,
    }
    columned = columns(installation.graph)
    parquet, findings = parquet_table(columned, rows, facts)
    written = {CSV: csv_table(columned, rows), PAGE: page(installation.piece.title, facts, columned, rows).encode()}
    for name, content in {**written, PARQUET: parquet}.items():
        if content is not None:
            with file_beside(out / name) as making:
                making.write_bytes(content)
    return findings
