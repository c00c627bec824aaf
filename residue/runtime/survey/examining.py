"""Examines one archived performance under a piece; whatever is wrong with it goes into its row."""

from __future__ import annotations

import os
import platform
import shutil
import tempfile
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path

import msgspec

from residue.archive.bag import open_bag
from residue.archive.fixity import verify
from residue.archive.prepared import check_needs
from residue.installation.drafts import draft
from residue.installation.load import Installation
from residue.loudness.meters.measure import Measurement
from residue.loudness.plan.plan import PlannedPerformance
from residue.mapping.signals import seconds
from residue.problems import Finding, ProblemError, Severity, stopping, stops, without_place
from residue.runtime.planning.preparation import (
    open_performance,
    planned_alone,
    playback_of,
    profile_key,
    rendered_profile,
)
from residue.runtime.survey.figures import PlaybackFigures
from residue.runtime.survey.row import SurveyedPerformance, rounded
from residue.runtime.system.folders import cache_folder

EACH = "each performance"
"""The name under which a draft tells what it takes for a missing hours.toml."""


@dataclass(frozen=True, slots=True)
class Commission:
    """The piece that performances are surveyed under: its folder, and the digest of all that its rows follow from."""

    folder: str
    mark: str


@dataclass(frozen=True, slots=True)
class SurveyJob:
    """One performance to survey: the name of its row, and the folder of its bag."""

    name: str
    bag: str


def commissioned(folder: Path) -> tuple[Installation, Commission]:
    """The installation of a survey, a draft where files are missing, and its commission. Raises ProblemError."""
    folder = folder.absolute()
    installation = draft(folder, EACH, gallery=True)
    return installation, Commission(str(folder), _mark(installation))


def _mark(installation: Installation) -> str:
    return profile_key(installation, f"{installation.hours.programme.rest_s}")


@lru_cache(maxsize=1)
def _installation(commission: Commission) -> Installation:
    """The installation, once for each process. Raises ProblemError where it is not the one that was commissioned."""
    installation, found = commissioned(Path(commission.folder))
    if found != commission:
        what = "This machine reads another piece or room there, or has other code, than the one that asked."
        raise stopping(commission.folder, what, "Let all of them see the same folders, with the same residue.")
    return installation


def examine(commission: Commission, job: SurveyJob) -> SurveyedPerformance:
    """The row of a performance. Raises ProblemError only where the piece itself cannot be read."""
    installation = _installation(commission)
    row = SurveyedPerformance(name=job.name)
    try:
        found = verify(Path(job.bag))
        if stops(found):
            return _broken(row, found)
        row = _told(row, Path(job.bag), found)
        with _scratch(cache_folder() / "survey") as cache:
            return _heard(row, replace(installation, performances={job.name: Path(job.bag)}), cache)
    except ProblemError as error:
        return _broken(row, error.findings)
    except Exception as error:  # noqa: BLE001 (whatever a recording makes a library raise costs its own row only)
        what = f"It could not be examined: {type(error).__name__}: {error}."
        return _broken(row, [Finding(Severity.STOPS, job.name, what, "Try residue show and residue render with it.")])


def _told(row: SurveyedPerformance, path: Path, found: Iterable[Finding]) -> SurveyedPerformance:
    """What its bag tells of it, which is intact."""
    bag = open_bag(path)
    performance, permission = bag.performance, bag.performance.permission
    return msgspec.structs.replace(
        row,
        intact=True,
        notes=without_place(found),
        title=performance.title,
        recorded=performance.recorded and performance.recorded.isoformat(),
        consent=permission is not None,
        shown_from=permission and permission.shown_from and permission.shown_from.isoformat(),
        shown_until=permission and permission.shown_until and permission.shown_until.isoformat(),
        bag_sha256=bag.digest,
    )


def _heard(row: SurveyedPerformance, installation: Installation, cache: Path) -> SurveyedPerformance:
    """What one render of it tells. Raises ProblemError."""
    try:
        check_needs(open_bag(installation.performances[row.name]), installation.graph.needs)
    except ProblemError as error:
        return msgspec.structs.replace(_broken(row, error.findings), fits=False)
    row = msgspec.structs.replace(row, fits=True)
    try:
        performance = open_performance(installation, row.name, cache)
        playback = playback_of(installation, performance)
        figures = PlaybackFigures(installation.graph, playback)
        profile = rendered_profile(installation, playback, figures)
    except ProblemError as error:
        return _broken(row, error.findings)
    row = msgspec.structs.replace(
        row,
        notes=" ".join(filter(None, [row.notes, without_place(performance.notes)])),
        recorded_s=rounded(seconds(performance.frames), 3),
        plays_s=rounded(seconds(playback.end), 3),
        section_s=figures.section_s,
        reading=figures.readings,
    )
    return _with_levels(row, figures.measurement, planned_alone(installation, row.name, profile))


def _with_levels(row: SurveyedPerformance, levels: Measurement, planned: PlannedPerformance) -> SurveyedPerformance:
    peaks = [peak for peak in levels.true_peak_dbtp if peak is not None]
    return msgspec.structs.replace(
        row,
        plan_gain_db=rounded(planned.gain_db, 2),
        plan=planned.words.removeprefix(f"{row.name}: "),
        integrated_lufs=rounded(levels.integrated_lufs, 2),
        loudness_range_lu=rounded(levels.loudness_range_lu, 2),
        short_term_max_lufs=rounded(levels.short_term_max_lufs, 2),
        true_peak_dbtp=rounded(max(peaks, default=None), 2),
        laeq_dbfs=rounded(levels.laeq_dbfs, 2),
        lceq_dbfs=rounded(levels.lceq_dbfs, 2),
    )


def _broken(row: SurveyedPerformance, findings: Iterable[Finding]) -> SurveyedPerformance:
    return msgspec.structs.replace(row, problems=without_place(findings))


@contextmanager
def _scratch(folder: Path) -> Iterator[Path]:
    """A folder for converted channels, which a collection would fill a disk with; removed at the end.

    Those of processes of this machine that were ended are removed too.
    """
    here = f"{platform.node()} "
    own = folder / f"{here}{os.getpid()}"
    own.mkdir(parents=True, exist_ok=True)
    for left in folder.glob(f"{here}*"):
        if not _runs(int(left.name.removeprefix(here))):
            shutil.rmtree(left, ignore_errors=True)
    with tempfile.TemporaryDirectory(dir=own) as scratch:
        yield Path(scratch)


def _runs(process: int) -> bool:
    try:
        os.kill(process, 0)
    except ProcessLookupError:
        return False
    except PermissionError:  # it is another user's
        return True
    return True
