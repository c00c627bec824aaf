"""Tables in text as sources."""

from __future__ import annotations

from contextlib import suppress
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from residue.archive.ingest.source import Source
from residue.archive.ingest.sources.catalogue import open_source
from residue.archive.ingest.sources.table import TableFacts
from residue.archive.performance import ChannelKind
from residue.problems import ProblemError


def opened(folder: Path, text: str, facts: TableFacts, name: str = "a.csv") -> Source:
    path = folder / name
    path.write_text(text, encoding="utf-8")
    return open_source(path, facts, folder)


AT_100 = TableFacts(rate_hz=100)
BY_TIME = TableFacts(time="t")


def values(source: Source, column: int = 0) -> list[float]:
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
        pytest.param("emg;acc\n1,5;2\n1.5;2\n", AT_100, "Line 3 mixes decimal points and decimal commas", id="mixed"),
        pytest.param("emg,acc\n1,5,2\n", AT_100, "Line 2 has 3 cells.*semicolons", id="decimal commas between commas"),
        pytest.param("emg,acc\n1,2\nx,2\n", AT_100, 'Line 3: "x" is not a number', id="not a number"),
        pytest.param("emg,emg\n1,2\n", AT_100, "name of its own", id="one name twice"),
        pytest.param(",".join(map(str, range(10**6))) + "\n", AT_100, "1000000 columns", id="a million columns"),
        pytest.param("t,emg\n0,1\n0.01,2\n0.01,3\n", BY_TIME, "Time does not go forward from row 2", id="time stands"),
        pytest.param("t,emg\n0,1\n0.02,2\n0.01,3\n", BY_TIME, "Time does not go forward from row 2", id="time back"),
        pytest.param("t,emg\n0,1\n,2\n", BY_TIME, "Row 2 has no time", id="no time"),
        pytest.param("t,emg\n0,1\n", BY_TIME, "too few", id="one row"),
        pytest.param("time,emg\n0,1\n", BY_TIME, "no column", id="no such column"),
        pytest.param("t,emg\n0,1\n1,2\n2,3\n3,4\n1e9,5\n", BY_TIME, "week|steady", id="years apart"),
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
    "facts", [{}, {"rate_hz": 100.0, "time": "t"}, {"time": "t", "time_unit": "h"}], ids=["neither", "both", "hours"]
)
def test_facts_that_say_too_little_or_too_much_are_refused(facts: dict[str, object]) -> None:
    with pytest.raises(ValueError, match="Write"):
        TableFacts(**facts)  # type: ignore[arg-type]


CELLS = st.sampled_from(["1", "1.5", "2,5", "", "nan", "-", "x", "1e400", '"', "t", "-3", "0.01", "inf"])


@given(rows=st.lists(st.lists(CELLS, min_size=1, max_size=4), max_size=6), separator=st.sampled_from(",;\t"))
@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=300, deadline=None)
def test_any_table_gives_tracks_or_a_problem_and_nothing_else(
    tmp_path: Path, rows: list[list[str]], separator: str
) -> None:
    text = f"t{separator}emg\n" + "\n".join(separator.join(row) for row in rows)
    for facts in (AT_100, BY_TIME):
        with suppress(ProblemError):
            assert all(track.stream.length > 0 for track in opened(tmp_path, text, facts).tracks)
