"""Tables in text as sources."""

from __future__ import annotations

import errno
import re
import tempfile
import tracemalloc
from contextlib import suppress
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from residue.archive.ingest import columns, stored
from residue.archive.ingest.facts import TableFacts
from residue.archive.ingest.source import IngestSource
from residue.archive.ingest.sources import table_cells, table_text
from residue.archive.ingest.sources.catalogue import open_source
from residue.archive.ingest.sources.table import survey_table
from residue.archive.performance import ChannelKind, Mark
from residue.problems import ProblemError
from tests.properties import tries
from tests.reference.recordings import text_exports


def opened(folder: Path, text: str, facts: TableFacts, name: str = "a.csv") -> IngestSource:
    path = folder / name
    path.write_text(text, encoding="utf-8")
    return open_source(path, facts, folder)


AT_100 = TableFacts(rate_hz=100)
BY_TIME = TableFacts(time="t")


def values(source: IngestSource, column: int = 0) -> list[float]:
    stream = source.tracks[column].stream
    return list(stream.read(0, stream.length))


@pytest.mark.parametrize(
    "text",
    [
        pytest.param("emg,acc x\n1.5,2\n-0.5,3\n", id="commas"),
        pytest.param("emg;acc x\n1.5;2\n-0.5;3\n", id="semicolons"),
        pytest.param("emg;acc x\n1,5;2\n-0,5;3\n", id="decimal commas"),
        pytest.param("emg\tacc x\r\n1.5\t2\r\n\r\n-0.5\t3\r\n", id="tabs, CR LF, a blank line"),
        pytest.param('\ufeff"emg","acc x"\n"1.5","2"\n"-0.5","3"\n', id="quotes and a byte-order mark"),
    ],
)
def test_columns_become_tracks(tmp_path: Path, text: str) -> None:
    source = opened(tmp_path, text, AT_100)
    assert source.labels == ["emg", "acc x"]
    assert [track.kind for track in source.tracks] == [ChannelKind.EMG, ChannelKind.ACC]
    assert values(source) == [1.5, -0.5]
    assert values(source, 1) == [2.0, 3.0]
    assert int(source.tracks[0].stream.rate_hz) == 100


def test_an_empty_cell_is_a_gap(tmp_path: Path) -> None:
    found = values(opened(tmp_path, "emg,acc\n1,2\n,3\nNaN,4\nn/a,5\n", AT_100))
    assert found[0] == 1.0
    assert np.isnan(found[1:]).all()


def test_a_column_of_times_gives_the_rate_and_the_gaps(tmp_path: Path) -> None:
    times = [0.0, 0.01, 0.02, 0.0301, 0.04, 0.10, 0.11, 0.1199, 0.13, 0.14]
    text = "t,emg\n" + "".join(f"{time},{row}\n" for row, time in enumerate(times))
    source = opened(tmp_path, text, BY_TIME)
    found = values(source)
    assert float(source.tracks[0].stream.rate_hz) == pytest.approx(100, rel=0.002)
    assert found[:5] == [0, 1, 2, 3, 4]
    assert np.isnan(found[5:10]).all()
    assert found[10:] == [5, 6, 7, 8, 9]


def test_a_clock_that_drifts_is_followed(tmp_path: Path) -> None:
    """A recorder at 500.0123 Hz with 0.2 ms of jitter: the straight line through all times finds the rate."""
    rng = np.random.default_rng(2)
    times = np.arange(5000) / 500.0123 + rng.uniform(-2e-4, 2e-4, 5000)
    text = "t,emg\n" + "".join(f"{time:.6f},{row}\n" for row, time in enumerate(times))
    source = opened(tmp_path, text, BY_TIME)
    assert float(source.tracks[0].stream.rate_hz) == pytest.approx(500.0123, rel=2e-6)
    assert values(source) == list(range(5000))


@pytest.mark.parametrize(
    ("text", "facts", "told"),
    [
        pytest.param("", AT_100, "empty", id="empty"),
        pytest.param("emg\n", AT_100, "no rows", id="headings only"),
        pytest.param(";;\n;;\nemg;acc;\n1;2;\n", AT_100, "first two lines hold separators", id="empty lines above"),
        pytest.param(";", AT_100, "first line holds separators", id="a separator alone"),
        pytest.param("emg;acc\n1,5;2\n1.5;2\n", AT_100, "Line 3 mixes decimal points and decimal commas", id="mixed"),
        pytest.param("emg,acc\n1,5,2\n", AT_100, "Line 2 has 3 cells.*semicolons", id="decimal commas between commas"),
        pytest.param("emg,acc\n1,2\nx,2\n", AT_100, 'Line 3: "x" is not a number', id="not a number"),
        pytest.param(",".join(map(str, range(10**6))) + "\n", AT_100, "1000000 columns", id="a million columns"),
        pytest.param("t,emg\n0,1\n0.01,2\n0.01,3\n", BY_TIME, "Time does not increase from row 2", id="time stands"),
        pytest.param("t,emg\n0,1\n0.02,2\n0.01,3\n", BY_TIME, "Time does not increase from row 2", id="time back"),
        pytest.param("t,emg\n0,1\n,2\n", BY_TIME, "Row 2 has no time", id="no time"),
        pytest.param("t,emg\n0,1\n", BY_TIME, "too few", id="one row"),
        pytest.param("time,emg\n0,1\n", BY_TIME, "no column", id="no such column"),
        pytest.param("t,emg\n0,1\n1.5,2\n3,3\n4.5,4\n1e9,5\n", BY_TIME, "week|steady", id="years apart"),
        pytest.param("t,emg\nrest,1\nwork,2\n", BY_TIME, 'holds what is no time: "rest"', id="words for times"),
        pytest.param("event\nclap\nclap\n", AT_100, "no column of numbers", id="texts alone"),
        pytest.param("t,emg\n0,1\n0.01,2\n0.5,3\n0.51,4\n0.9,5\n", BY_TIME, r"resample_hz = 5 beside", id="uneven"),
    ],
)
def test_a_fault_is_told(tmp_path: Path, text: str, facts: TableFacts, told: str) -> None:
    with pytest.raises(ProblemError, match=told):
        opened(tmp_path, text, facts)


def test_bytes_that_are_no_text_are_told(tmp_path: Path) -> None:
    (tmp_path / "a.csv").write_bytes(b"emg\n\xff\xfe\n")
    with pytest.raises(ProblemError, match="UTF-8"):
        open_source(tmp_path / "a.csv", AT_100, tmp_path)


@pytest.mark.parametrize(
    "facts",
    [
        {},
        {"rate_hz": 100.0, "time": "t"},
        {"time": "t", "time_unit": "h"},
        {"rate_hz": 100.0, "time_unit": "ms"},
        {"rate_hz": 100.0, "resample_hz": 10.0},
    ],
    ids=["neither", "both", "hours", "a unit without a time", "resampled without a time"],
)
def test_facts_that_say_too_little_or_too_much_are_refused(facts: dict[str, object]) -> None:
    with pytest.raises(ValueError, match="Write"):
        TableFacts(**facts)  # type: ignore[arg-type]


def written(rows: int) -> str:
    """A table with a hole of ten rows, a second column of the row's number, and a third of its square."""
    kept = (row for row in range(rows) if not 100 <= row < 110)
    return "t,n,square\n" + "".join(f"{row / 100:.2f},{row},{row * row}\n" for row in kept)


@pytest.mark.parametrize("facts", [AT_100, BY_TIME], ids=["by rate", "by time"])
def test_a_table_is_read_in_any_order_over_all_its_pieces(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, facts: TableFacts
) -> None:
    monkeypatch.setattr(stored, "_PIECE_NUMBERS", 100)
    monkeypatch.setattr(columns, "_PIECE_ROWS", 70)
    source = opened(tmp_path, written(1005), facts)
    track = next(track for track in source.tracks if track.label == "square")
    whole = track.stream.read(0, track.stream.length)
    rows = np.delete(np.arange(1005.0), range(100, 110))
    if facts is BY_TIME:
        assert np.isnan(whole[100:110]).all()
        whole_rows = np.delete(whole, range(100, 110))
    else:
        whole_rows = whole
    assert np.array_equal(whole_rows, rows**2)
    for start, stop in ((0, 0), (0, 1), (33, 34), (30, 300), (95, 107), (101, 103), (899, 995)):
        assert np.array_equal(track.stream.read(start, stop), whole[start:stop], equal_nan=True)


def test_a_long_table_takes_no_more_memory_than_a_short_one(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(stored, "_PIECE_NUMBERS", 1000)
    monkeypatch.setattr(columns, "_PIECE_ROWS", 1000)

    def peak(rows: int) -> int:
        (tmp_path / "a.csv").write_text(written(rows), encoding="utf-8")
        tracemalloc.start()
        try:
            source = open_source(tmp_path / "a.csv", BY_TIME, tmp_path)
            assert source.tracks[0].stream.length == rows
            return tracemalloc.get_traced_memory()[1]
        finally:
            tracemalloc.stop()

    peak(4000)  # what is imported and kept from then on
    assert peak(16_000) < 1.2 * peak(4000)


def test_a_full_disk_is_told_where_the_numbers_go(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(**_: object) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(tempfile, "TemporaryFile", full)
    with pytest.raises(ProblemError, match=rf"^{re.escape(str(tmp_path))}: The disk is full"):
        opened(tmp_path, "emg\n1\n", AT_100)


def test_columns_without_a_name_of_their_own_get_one(tmp_path: Path) -> None:
    assert opened(tmp_path, ",emg,emg\n0,1,2\n", AT_100).labels == ["column 1", "emg (1)", "emg (2)"]


@pytest.mark.parametrize("text", ["1.5,2\n-0.5,3\n", "1.5 2\n -0.5  3 \n", "1,5;2\n-0,5;3\n", "1.5\t2\t\n-0.5\t3\t\n"])
def test_a_table_without_headings_is_read_from_its_first_line(tmp_path: Path, text: str) -> None:
    source = opened(tmp_path, text, AT_100)
    assert source.labels == ["column 1", "column 2"]
    assert values(source) == [1.5, -0.5]


@pytest.mark.parametrize(
    ("comments", "labels", "rate_hz"),
    [
        ("% Sampling Rate = 250.0 Hz\n% made by hand\n", ["column 1", "column 2"], 250),
        ("# sample frequency: 2 kHz\n# emg grip\n", ["emg", "grip"], 2000),
        ("% exported\n% rate: 100 Hz\n", ["column 1", "column 2"], 100),
        ('# {"box": {"sampling rate": 1000, "column": ["emg", "grip"]}}\n# end\n', ["emg", "grip"], 1000),
        ('{"fs": 50.5, "labels": ["a", "b", "c"]}\n', ["column 1", "column 2"], 50.5),
    ],
    ids=["a line", "names in the last line", "a short line", "JSON", "JSON without a sign"],
)
def test_comments_above_a_table_tell_its_rate_and_its_names(
    tmp_path: Path, comments: str, labels: list[str], rate_hz: float
) -> None:
    (tmp_path / "a.txt").write_text(comments + "1 2\n3 4\n# pause\n5 6\n", encoding="utf-8")
    source = open_source(tmp_path / "a.txt", None, tmp_path)
    assert source.labels == labels
    assert values(source) == [1, 3, 5]
    assert float(source.tracks[0].stream.rate_hz) == rate_hz
    assert source.told == (f"{rate_hz:g} rows a second, as the comments above the table state",)


@pytest.mark.parametrize(
    "comments",
    [
        '# {"a": {"fs": 100}, "b": {"fs": 200}}\n',
        '# {"fs": -1}\n',
        '# {"fs": true}\n',
        "# " + "[" * 100_000 + "\n",
        "# rate: 72\n",
    ],
    ids=["two rates", "negative", "no number", "deep", "of a heart"],
)
def test_comments_that_tell_no_rate_leave_the_question_to_the_person(tmp_path: Path, comments: str) -> None:
    with pytest.raises(ProblemError, match="does not state its rate"):
        opened_without_facts(tmp_path, comments + "emg,grip\n1,2\n")


def opened_without_facts(folder: Path, text: str) -> IngestSource:
    (folder / "a.csv").write_text(text, encoding="utf-8")
    return open_source(folder / "a.csv", None, folder)


def test_texts_become_marks_where_they_change(tmp_path: Path) -> None:
    text = "t,emg,event\n0,1,\n0.5,2,rest\n1,3,rest\n1.5,4,work\n2,5,\n2.5,6,work\n"
    source = opened(tmp_path, text, BY_TIME)
    assert source.labels == ["emg"]
    assert source.marks == (Mark(at_s=0.5, text="rest"), Mark(at_s=1.5, text="work"), Mark(at_s=2.5, text="work"))
    with pytest.raises(ProblemError, match='Line 4: "x" is not a number'):
        opened(tmp_path, "event,emg\nclap,1\n,2\n,x\n", AT_100)


def test_texts_that_are_too_many_for_marks_are_left_out_and_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(table_cells, "_MOST_TEXTS", 3)
    source = opened(tmp_path, "emg,id\n" + "".join(f"{n},row {n}\n" for n in range(4)), AT_100)
    assert source.marks == ()
    assert source.told == ('the column "id" holds too many texts to be marks, and was left out',)


@pytest.mark.parametrize(
    ("first", "second", "began"),
    [
        ("2026-02-11T23:59:59.75+01:00", "2026-02-12T00:00:00.25+01:00", "2026-02-11T23:59:59.750000+01:00"),
        ("2026-02-11 23:59:59.75", "2026-02-12 00:00:00.25", "2026-02-11T23:59:59.750000"),
        ("2026-02-11T22:59:59.75Z", "2026-02-11T23:00:00.25Z", "2026-02-11T22:59:59.750000+00:00"),
        ("23:59:59.75", "00:00:00.25", ""),
    ],
    ids=["an offset from UTC", "none", "UTC", "a time of day that passes midnight"],
)
def test_dates_and_times_give_the_rate_and_the_start(tmp_path: Path, first: str, second: str, began: str) -> None:
    source = opened(tmp_path, f"t;emg\n{first};1,5\n{second};2,5\n", BY_TIME)
    assert source.tracks[0].stream.rate_hz == 2
    assert values(source) == [1.5, 2.5]
    assert (source.began.isoformat() if source.began else "") == began


@pytest.mark.parametrize("other", ["2026-02-11T23:00:00", "soon"])
def test_a_time_unlike_those_above_it_is_told(tmp_path: Path, other: str) -> None:
    with pytest.raises(ProblemError, match=f'Line 3: "{other}" is not a date and time'):
        opened(tmp_path, f"t,emg\n2026-02-11T22:59:59Z,1\n{other},2\n", BY_TIME)


def test_utf_16_is_read(tmp_path: Path) -> None:
    (tmp_path / "a.csv").write_text("emg\tgrip µ\n1,5\t2\n", encoding="utf-16")
    source = open_source(tmp_path / "a.csv", AT_100, tmp_path)
    assert source.labels == ["emg", "grip µ"]
    assert values(source) == [1.5]


def test_a_line_without_end_is_refused_before_it_fills_the_memory(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(table_text, "_LONGEST_LINE", 1000)
    with pytest.raises(ProblemError, match="Line 2 has more than 1000 letters"):
        opened(tmp_path, "emg\n" + "1" * 2000, AT_100)


def test_a_list_of_beats_stays_one_unless_a_person_calls_it_a_table(tmp_path: Path) -> None:
    text = "rr\n800\n810\n"
    (tmp_path / "a.txt").write_text(text, encoding="utf-8")
    assert open_source(tmp_path / "a.txt", None, tmp_path).beats
    assert values(opened(tmp_path, text, AT_100, "a.txt")) == [800, 810]


def test_exports_of_other_programs_are_read_as_numpy_reads_them(tmp_path: Path) -> None:
    """Texts with a header in JSON behind "#" and a tab after the last cell: biosignalsnotebooks 0.6.14 (MIT)."""
    for path, rate_hz in text_exports().items():
        expected = np.loadtxt(path, ndmin=2)
        source, suggested = survey_table(path, tmp_path)
        found = [values(source, column) for column in range(len(source.tracks))]
        assert np.array_equal(np.array(found).T, expected), path.name
        assert suggested == {"rate_hz": rate_hz}, path.name
        assert not any(label.startswith("column ") for label in source.labels), path.name


CELLS = st.sampled_from(["1", "1.5", "2,5", "", "nan", "-", "x", "1e400", '"', "t", "-3", "0.01", "inf", "23:40", "#"])


@given(rows=st.lists(st.lists(CELLS, min_size=1, max_size=4), max_size=6), separator=st.sampled_from(",;\t"))
@tries(many=300)
def test_any_table_gives_tracks_or_a_problem_and_nothing_else(
    tmp_path: Path, rows: list[list[str]], separator: str
) -> None:
    text = f"t{separator}emg\n" + "\n".join(separator.join(row) for row in rows)
    for facts in (AT_100, BY_TIME):
        with suppress(ProblemError):
            assert all(track.stream.length > 0 for track in opened(tmp_path, text, facts).tracks)
