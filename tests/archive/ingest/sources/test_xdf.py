"""XDF files as sources: many devices on one clock."""

from __future__ import annotations

import re
import sys
import tracemalloc
from contextlib import suppress
from datetime import date, datetime
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from residue.archive.ingest import memory
from residue.archive.ingest.describe import Description
from residue.archive.ingest.run import ingest
from residue.archive.ingest.source import IngestSource
from residue.archive.ingest.sources.catalogue import open_source
from residue.archive.ingest.sources.xdf_size import memory_needed_bytes
from residue.archive.performance import Channel, ChannelKind, Mark
from residue.problems import ProblemError
from tests.archive.ingest.sources import xdf_writer as xdf

SECONDS = 10


def evening(offset_s: float = 0.0) -> bytes:
    """Two streams and marks. The clock of the second device is wrong by offset_s, and the file says so."""
    eeg_times = 100.0 + np.arange(250 * SECONDS) / 250
    eeg = np.column_stack([np.arange(250.0 * SECONDS), np.arange(250.0 * SECONDS) * -1])
    grip_times = 102.0 - offset_s + np.arange(100 * SECONDS) / 100
    grip = np.arange(100.0 * SECONDS)[:, None]
    parts = [
        xdf.file_header("2026-02-11T23:40:00+01:00"),
        xdf.stream_header(1, "headband", "EEG", 250, "double64", ["O1", "O2"]),
        xdf.stream_header(2, "handle", "force", 100, "double64", ["grip"]),
        xdf.stream_header(3, "notes", "Markers", 0, "string", ["text"]),
        xdf.samples(1, eeg_times, eeg),
        xdf.samples(2, grip_times, grip),
        xdf.texts(3, [(103.5, "takes the dough")]),
    ]
    for number, wrong_s in ((1, 0.0), (2, offset_s), (3, 0.0)):
        parts += [xdf.clock_offset(number, 100.0 - wrong_s + second, wrong_s) for second in range(SECONDS)]
    parts.append(xdf.stream_footer(1, 100.0, 100.0 + SECONDS, len(eeg)))
    return b"".join(parts)


def opened(folder: Path, content: bytes) -> IngestSource:
    path = folder / "a.xdf"
    path.write_bytes(content)
    return open_source(path, None, folder)


@pytest.mark.parametrize("offset_s", [0.0, 5000.25])
def test_streams_stand_on_one_clock_whatever_their_own_said(tmp_path: Path, offset_s: float) -> None:
    source = opened(tmp_path, evening(offset_s))
    assert source.labels == ["headband O1", "headband O2", "handle grip"]
    assert [track.kind for track in source.tracks] == [ChannelKind.EEG, ChannelKind.EEG, ChannelKind.FORCE]
    assert [track.unit for track in source.tracks] == ["uV", "uV", "uV"]
    eeg, grip = source.tracks[0].stream, source.tracks[2].stream
    assert float(eeg.rate_hz) == pytest.approx(250, rel=1e-6)
    assert np.array_equal(eeg.read(0, eeg.length), np.arange(2500.0))
    assert np.isnan(grip.read(0, 200)).all()  # it began 2 s after the EEG
    assert np.array_equal(grip.read(200, grip.length), np.arange(1000.0))
    assert source.marks == (Mark(at_s=3.5, text="takes the dough"),)
    assert source.began == datetime(2026, 2, 11, 23, 40)  # noqa: DTZ001 - recorders' clocks are compared without offset


def test_a_file_cut_short_gives_what_is_there_and_says_so(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    whole = evening()
    assert opened(tmp_path, whole).lost == ""
    with pytest.raises(ProblemError, match=r'cut short or damaged, once\..*write damaged = \["a.xdf"\]'):
        opened(tmp_path, whole[:75_000])
    cut = open_source(tmp_path / "a.xdf", None, tmp_path, salvage=True)
    assert cut.lost.startswith("cut short or damaged")
    assert capsys.readouterr() == ("", "")
    told = Channel(kind=ChannelKind.EEG, file="a.xdf", signal="headband O1", unit="uV")
    described = Description(title="x", channel={"o1": told}, damaged=["a.xdf"])
    done = ingest([tmp_path / "a.xdf"], tmp_path / "bag", described, date(2026, 3, 1))
    assert f"a.xdf: {cut.lost}." in done.report
    assert done.bag.performance.channel["o1"].lost == cut.lost


def test_the_name_of_the_computer_is_private(tmp_path: Path) -> None:
    assert opened(tmp_path, evening()).private == ("name of a computer (bakery-laptop)",)


def test_a_missing_reader_names_the_extra(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "pyxdf", None)
    with pytest.raises(ProblemError, match=rf"{re.escape(sys.executable)} -m pip install pyxdf"):
        opened(tmp_path, evening())


def test_a_file_that_would_not_fit_into_memory_is_refused_before_it_is_read(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    content = evening()
    (tmp_path / "a.xdf").write_bytes(content)
    needed = memory_needed_bytes(tmp_path / "a.xdf")
    assert len(content) < needed < 20 * len(content)
    for free in (needed, None):
        monkeypatch.setattr(memory, "memory_free_bytes", lambda free=free: free)
        assert len(opened(tmp_path, content).tracks) == 3
    monkeypatch.setattr(memory, "memory_free_bytes", lambda: needed - 1)
    with pytest.raises(ProblemError, match=r"memory at once, and 0\.\d GB are free.*EDF or CSV"):
        opened(tmp_path, content)


@pytest.mark.parametrize(("rows", "columns"), [(10_000, 1), (10_000, 8)])
def test_what_an_xdf_file_takes_is_not_more_than_was_foretold(tmp_path: Path, rows: int, columns: int) -> None:
    times = np.arange(rows) / 1000
    header = [xdf.file_header("2026-02-11T23:40:00+01:00")]
    header.append(xdf.stream_header(1, "headband", "EEG", 1000, "double64", [str(k) for k in range(columns)]))
    content = b"".join([*header, xdf.samples(1, times, np.ones((rows, columns)))])
    (tmp_path / "a.xdf").write_bytes(content)
    tracemalloc.start()
    try:
        assert open_source(tmp_path / "a.xdf", None, tmp_path).tracks[0].stream.length == rows
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert rows * columns * 8 < peak < memory_needed_bytes(tmp_path / "a.xdf")


@pytest.mark.parametrize(
    "content", [b"", b"XDF", b"RIFF" * 100, b"XDF:"], ids=["empty", "three bytes", "another format", "magic alone"]
)
def test_what_is_no_xdf_file_is_told(tmp_path: Path, content: bytes) -> None:
    with pytest.raises(ProblemError, match=r"XDF|no samples"):
        opened(tmp_path, content)


@given(data=st.data())
def test_spoilt_bytes_give_a_source_or_a_problem_and_nothing_else(tmp_path: Path, data: st.DataObject) -> None:
    content = bytearray(evening())
    for _ in range(data.draw(st.integers(1, 5))):
        content[data.draw(st.integers(4, 2000))] = data.draw(st.integers(0, 255))
    cut = data.draw(st.sampled_from([len(content), 40_000, 1500, 300]))
    with suppress(ProblemError):
        for track in opened(tmp_path, bytes(content[:cut])).tracks:
            wanted = min(track.stream.length, 5_000)
            assert len(track.stream.read(0, wanted)) == wanted
