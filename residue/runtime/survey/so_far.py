"""The rows of a survey that are done, on the disk until all are: one that was interrupted goes on from them."""

from __future__ import annotations

import hashlib
import shutil
from pathlib import Path

from residue.archive.beside import telling
from residue.archive.swap.dropped import look
from residue.records import SpoiltRecordError, encode_record, read_record
from residue.runtime.survey.examining import Commission, SurveyJob
from residue.runtime.survey.row import SurveyedPerformance
from residue.runtime.system.files import replace_file


class RowsSoFar:
    """A folder with a record for each row.

    It is named by what the row follows from, the times of the bag's files included: what was changed is done again.
    """

    def __init__(self, folder: Path, commission: Commission) -> None:
        self._folder, self._commission = folder, commission

    def find(self, job: SurveyJob) -> SurveyedPerformance | None:
        """The row of a job; None if it is not known."""
        try:
            return read_record(self._path(job), SurveyedPerformance)
        except (OSError, SpoiltRecordError):
            return None

    def keep(self, job: SurveyJob, row: SurveyedPerformance) -> None:
        """Keeps a row. Raises ProblemError."""
        with telling(self._folder):
            replace_file(self._path(job), encode_record(row))

    def remove(self) -> None:
        """Removes them all."""
        shutil.rmtree(self._folder, ignore_errors=True)

    def _path(self, job: SurveyJob) -> Path:
        state = look(Path(job.bag).resolve())
        sources = [self._commission.folder, self._commission.mark, job.name, job.bag, *map(repr, state)]
        return self._folder / hashlib.sha256("\0".join(sources).encode(errors="surrogateescape")).hexdigest()
