"""A collection under one piece, from the folder to the table, whoever makes which row."""

from __future__ import annotations

import csv
import json
import os
import shutil
from collections.abc import Iterator
from io import StringIO
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner, Result

from residue.archive.tree import MOST_LEVELS
from residue.cli import main
from residue.problems import ProblemError
from residue.runtime.survey.columns import columns
from residue.runtime.survey.examining import SurveyJob, commissioned
from residue.runtime.survey.row import SurveyedPerformance
from residue.runtime.survey.so_far import RowsSoFar
from residue.runtime.survey.surveying import jobs_in, survey
from residue.runtime.survey.tables import csv_table
from tests.runtime.survey.collection import collection, evening, flip_a_bit, piece

COUNT = 4


def run(folder: Path, *words: str | Path) -> Result:
    environment = {"XDG_CACHE_HOME": str(folder / "cache"), "COLUMNS": "80"}
    return CliRunner().invoke(main, [str(word) for word in words], env=environment)


@pytest.fixture(scope="module")
def shelf(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with the piece and some evenings, one of which was changed, and one of which lacks a channel."""
    folder = tmp_path_factory.mktemp("shelf")
    piece(folder / "piece")
    collection(folder / "evenings", COUNT)
    flip_a_bit(evening(folder / "evenings", 50) / "data" / "arm.flac")
    evening(folder / "evenings", 51, channel="forearm_left")
    return folder


@pytest.fixture(scope="module")
def surveyed(shelf: Path) -> Result:
    """The command, with its files in survey."""
    return run(shelf, "survey", shelf / "evenings", "--piece", shelf / "piece", "--out", shelf / "survey")


@pytest.fixture(scope="module")
def table(shelf: Path, surveyed: Result) -> dict[str, dict[str, str]]:
    """The rows of the CSV by name."""
    text = (shelf / "survey" / "survey.csv").read_text(encoding="utf-8")
    return {row["name"]: row for row in csv.DictReader(StringIO(text))}


def test_each_performance_has_a_row_and_a_fault_costs_its_own_only(
    table: dict[str, dict[str, str]], surveyed: Result
) -> None:
    assert list(table) == [*(f"evening-{number:03d}" for number in range(COUNT)), "evening-050", "evening-051"]
    assert [row["playable"] for row in table.values()] == ["true"] * COUNT + ["false"] * 2
    flipped, lacking = table["evening-050"], table["evening-051"]
    assert (flipped["intact"], flipped["fits"]) == ("false", "")
    assert "data/arm.flac has changed since the bag was sealed. Copy the bag again" in flipped["problems"]
    assert (lacking["intact"], lacking["fits"]) == ("true", "false")
    assert 'has no channel "forearm"' in lacking["problems"]
    assert "forearm_left" in lacking["problems"]
    assert surveyed.exit_code == 1
    assert "4 of 6 performances can be played." in surveyed.stdout
    assert all(len(line) <= 80 for line in surveyed.stdout.splitlines() if not line.startswith("evening-05"))


def test_lengths_and_readings_are_those_of_the_recording(table: dict[str, dict[str, str]]) -> None:
    """The evening was made to last 6.2 s, and the heart to beat each 0.8 s: 60 / 0.8 = 75 a minute."""
    row = table["evening-002"]
    assert (row["recorded_s"], row["plays_s"]) == ("6.2", "6.2")
    assert row["section_1_quiet_hands_s"] == "2.0"
    assert row["section_2_well_kneaded_s"] == "4.2"
    assert row["section_3_rest_s"] == "", "it was not reached"
    assert row["rate_mean"] == "75.0"
    assert 0.5 < float(row["rate_trust"]) < 1.0, "none before the first beats"
    assert 0.0 < float(row["push_mean"]) < 0.5


def test_levels_are_what_a_render_before_the_cap_measures(shelf: Path, table: dict[str, dict[str, str]]) -> None:
    house = shelf / "house"
    shutil.copytree(shelf / "piece", house)
    shutil.copytree(shelf / "evenings" / "evening-001", house / "performances" / "evening-001")
    out = shelf / "made.wav"
    words = ("--performance", "evening-001", "--before-cap", "--out", out)
    assert run(shelf, "render", house, *words).exit_code == 0
    measured = json.loads(run(shelf, "measure", out, "--json").stdout)
    row = table["evening-001"]
    for name in ("integrated_lufs", "loudness_range_lu", "short_term_max_lufs", "laeq_dbfs", "lceq_dbfs"):
        assert float(row[name]) == pytest.approx(measured[name], abs=0.006), name
    assert float(row["true_peak_dbtp"]) == pytest.approx(max(measured["true_peak_dbtp"]), abs=0.006)
    assert float(row["plays_s"]) == pytest.approx(measured["duration_s"], abs=0.001)


def test_the_plan_is_that_of_the_performance_alone(shelf: Path, table: dict[str, dict[str, str]]) -> None:
    """The default room keeps LZeq over 1 min at -30 dBFS; a tone at -20 dB or more reads -23.01 or more."""
    row = table["evening-000"]
    assert float(row["plan_gain_db"]) < -30.0 - float(row["laeq_dbfs"]) + 0.5
    assert row["plan"].startswith("lowered by ")


def rows_of(
    shelf: Path, out: Path, names: list[str] | None = None, processes: int | None = None
) -> list[SurveyedPerformance]:
    _, commission = commissioned(shelf / "piece")
    jobs = jobs_in(shelf / "evenings")
    if names is not None:
        jobs = sorted(jobs, key=lambda job: names.index(job.name))
    return survey(commission, jobs, RowsSoFar(out, commission), processes=processes)


@pytest.mark.usefixtures("surveyed")
def test_the_table_is_the_same_to_the_bit_whatever_the_number_of_workers(
    shelf: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    names = [job.name for job in jobs_in(shelf / "evenings")]
    shuffled = list(np.random.default_rng(1).permutation(names))
    rows = rows_of(shelf, tmp_path / "so far", shuffled, processes=3)
    installation, _ = commissioned(shelf / "piece")
    again = csv_table(columns(installation.graph), sorted(rows, key=lambda row: row.name))
    assert again == (shelf / "survey" / "survey.csv").read_bytes()
    left = [path for path in (tmp_path / "cache").rglob("*") if path.is_file()]
    assert left == [], "what was converted does not fill the disk"


def test_one_that_was_interrupted_goes_on_with_what_is_not_done(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    shelf, out = tmp_path, tmp_path / "so far"
    piece(shelf / "piece")
    collection(shelf / "evenings", 3, duration_s=3.0)
    _, commission = commissioned(shelf / "piece")
    jobs, told = jobs_in(shelf / "evenings"), list[tuple[str, int]]()

    def interrupted(name: str, done: int) -> None:
        told.append((name, done))
        if done == 2:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        survey(commission, jobs, RowsSoFar(out, commission), processes=1, told=interrupted)
    assert [name for name, _ in told] == ["evening-000", "evening-001"]
    flip_a_bit(shelf / "evenings" / "evening-001" / "data" / "arm.flac")
    told.clear()
    rows = survey(
        commission, jobs, RowsSoFar(out, commission), processes=1, told=lambda name, done: told.append((name, done))
    )
    assert told == [("done before", 1), ("evening-001", 2), ("evening-002", 3)]
    assert [row.playable for row in rows] == [True, False, True], "what was changed meanwhile is looked at again"


def test_folders_that_are_nested_too_deeply_are_told_in_the_row_of_their_bag(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("residue.runtime.survey.surveying.on_cores", lambda work, jobs, *_: map(work, jobs))
    piece(tmp_path / "piece")
    bag = evening(tmp_path / "evenings", 1, duration_s=0.5)
    bag.joinpath("data", *["deep"] * (MOST_LEVELS + 1)).mkdir(parents=True)
    _, commission = commissioned(tmp_path / "piece")
    [row] = survey(commission, jobs_in(tmp_path / "evenings"), RowsSoFar(tmp_path / "far", commission))
    assert row.problems.startswith("Its folders are nested too deeply.")


def test_a_bag_behind_a_link_is_looked_at_again_where_it_was_changed(tmp_path: Path) -> None:
    piece(tmp_path / "piece")
    bag = evening(tmp_path / "evenings", 1, duration_s=0.5)
    (tmp_path / "shelf").symlink_to(bag)
    _, commission = commissioned(tmp_path / "piece")
    far, [job] = RowsSoFar(tmp_path / "far", commission), jobs_in(tmp_path / "shelf")
    row = SurveyedPerformance(name=job.name)
    far.keep(job, row)
    assert far.find(job) == row
    flip_a_bit(bag / "data" / "arm.flac")
    assert far.find(job) is None


def test_where_a_row_cannot_be_kept_nothing_more_is_done(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """At once, and not when Python ends: that would wait for all that is left."""
    piece(tmp_path / "piece")
    collection(tmp_path / "evenings", 3, duration_s=0.5)
    closed = list[bool]()

    def on_cores(*_: object) -> Iterator[tuple[SurveyJob, SurveyedPerformance]]:
        try:
            yield from ((job, SurveyedPerformance(name=job.name)) for job in jobs)
        finally:
            closed.append(True)

    monkeypatch.setattr("residue.runtime.survey.surveying.on_cores", on_cores)
    _, commission = commissioned(tmp_path / "piece")
    jobs, far = jobs_in(tmp_path / "evenings"), tmp_path / "so far"
    far.touch()
    with pytest.raises(ProblemError, match="so far") as caught:
        survey(commission, jobs, RowsSoFar(far, commission))
    assert closed == [True], "although its frames are still there"
    assert caught.tb


def test_the_same_recording_twice_and_missing_consent_are_told(tmp_path: Path) -> None:
    piece(tmp_path / "piece")
    first = evening(tmp_path / "evenings", 1, 3.0)
    shutil.copytree(first, tmp_path / "evenings" / "copy")
    shown = run(tmp_path, "survey", tmp_path / "evenings", "--piece", tmp_path / "piece", "--out", tmp_path / "survey")
    assert shown.exit_code == 0
    assert "The same recording: copy, evening-001." in shown.stdout
    assert "No consent is written down for 2 of them." in shown.stdout


def test_names_that_no_file_can_hold_are_written_so_that_it_can(tmp_path: Path) -> None:
    piece(tmp_path / "piece")
    spoilt = evening(tmp_path / "evenings", 1, 3.0).rename(
        os.fsdecode(bytes(tmp_path / "evenings") + b"/dough\xff\x1b")
    )
    (spoilt / "data" / os.fsdecode(b"more\xff\x1b.txt")).touch()
    shown = run(tmp_path, "survey", tmp_path / "evenings", "--piece", tmp_path / "piece", "--out", tmp_path / "survey")
    assert shown.exit_code == 1
    assert "\x1b" not in shown.output
    told = (tmp_path / "survey" / "survey.csv").read_text(encoding="utf-8")
    assert "dough\\xff\\u001b,false" in told
    assert "data/more\\xff\\u001b.txt is not listed in any manifest" in told


@pytest.mark.parametrize(
    ("words", "answer"),
    [
        (("nowhere", "--piece", "piece"), "There is no such folder."),
        (("evenings", "--piece", "nowhere"), "There is no such folder."),
        (("evenings", "--piece", "evenings/notes.toml"), "It is not called piece.toml."),
    ],
)
def test_what_is_not_there_is_told_in_words(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, words: tuple[str, ...], answer: str
) -> None:
    monkeypatch.chdir(tmp_path)
    piece(tmp_path / "piece")
    (tmp_path / "evenings").mkdir()
    (tmp_path / "evenings" / "notes.toml").touch()
    shown = run(tmp_path, "survey", *words)
    assert shown.exit_code == 1
    assert answer in shown.stderr


def test_a_worker_that_sees_another_piece_makes_no_row(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    piece(tmp_path / "piece")
    collection(tmp_path / "evenings", 1, duration_s=3.0)
    _, commission = commissioned(tmp_path / "piece")
    file = tmp_path / "piece" / "piece.toml"
    file.write_text(file.read_text(encoding="utf-8").replace("-20.0", "-21.0"), encoding="utf-8")
    with pytest.raises(ProblemError, match="reads another piece or room"):
        survey(commission, jobs_in(tmp_path / "evenings"), RowsSoFar(tmp_path / "so far", commission), processes=1)
