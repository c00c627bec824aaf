"""GDF files as sources."""

from __future__ import annotations

import struct
from contextlib import suppress
from datetime import datetime
from fractions import Fraction
from pathlib import Path

import mne
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from residue.archive.ingest.source import IngestSource
from residue.archive.ingest.sources import gdf as reader
from residue.archive.ingest.sources.catalogue import open_source
from residue.archive.performance import ChannelKind, Mark
from residue.problems import ProblemError
from tests.archive.ingest.sources.gdf_writer import gdf
from tests.properties import spoilt, tries

RNG = np.random.default_rng(5)
COUNTS = RNG.integers(-(2**15), 2**15, (2, 1000))
SLOW = RNG.integers(-(2**15), 2**15, 200)
FILES = Path(__file__).with_name("files")
HEADERS = 3 * 256
"""Of two signals."""


def values(source: IngestSource) -> list[np.ndarray]:
    return [track.stream.read(0, track.stream.length) for track in source.tracks]


def test_a_file_is_read_as_another_library_reads_it(tmp_path: Path) -> None:
    path, began = tmp_path / "a.gdf", datetime(2026, 2, 11, 23, 40)  # noqa: DTZ001 - the format has no offset
    signals = [("C3", COUNTS[0]), ("emg", COUNTS[1])]
    events = [(1, 768), (501, 33_282)]
    path.write_bytes(gdf(signals, [250, 250], patient="P01 Ida_Brandt", began=began, events=events))
    source = open_source(path, None, tmp_path)
    raw = mne.io.read_raw_gdf(path, verbose="CRITICAL")
    assert source.labels == raw.ch_names == ["C3", "emg"]
    assert [track.unit for track in source.tracks] == ["uV", "uV"]
    assert [track.kind for track in source.tracks] == [ChannelKind.EEG, ChannelKind.EMG]
    np.testing.assert_allclose(values(source), raw.get_data() * 1e6, rtol=1e-12, atol=1e-9)
    np.testing.assert_allclose(values(source), COUNTS / 4, atol=1e-9)
    assert source.tracks[0].stream.rate_hz == raw.info["sfreq"] == 250
    assert source.began is not None
    assert abs((source.began - began).total_seconds()) < 0.01
    assert any("Ida" in words for words in source.private)
    notes = raw.annotations
    assert source.marks == tuple(
        Mark(at_s=at_s, text=text) for at_s, text in zip(notes.onset, notes.description, strict=True)
    )
    assert source.marks == (Mark(at_s=0.0, text="768"), Mark(at_s=2.0, text="33282"))
    assert source.lost == ""


@pytest.mark.parametrize(
    ("version", "began", "marks"),
    [
        ("1.25", datetime(2026, 3, 2, 19, 30, 4), ("1", "2")),  # noqa: DTZ001 - the format has no offset
        ("2.51", datetime(2026, 3, 2, 19, 30, 5), ("oven door", "dough rests")),  # noqa: DTZ001
    ],
)
def test_a_file_of_another_writer_is_read(
    version: str, began: datetime, marks: tuple[str, ...], tmp_path: Path
) -> None:
    """Of libbiosig 2.5.0, from an EDF file of pyedflib: sines of 1 and 2, at 1 and 2 Hz, in steps of 8/65535. pyedflib
    cuts each value to a step, and that writer counts them again. The older version has no texts, and whole seconds.
    """
    source = open_source(FILES / f"libbiosig-{version}.gdf", None, tmp_path)
    assert [(track.label, track.unit, track.stream.rate_hz) for track in source.tracks] == [
        ("ECG", "mV", Fraction(200)),
        ("Resp", "V", Fraction(25)),
    ]
    for times, found in zip((1, 2), values(source), strict=True):
        rate_hz = len(found) / 2
        expected = times * np.sin(2 * np.pi * times * np.arange(len(found)) / rate_hz)
        np.testing.assert_allclose(found, expected, rtol=0, atol=3 * 8 / 65535)
    assert source.began is not None
    assert abs((source.began - began).total_seconds()) < 0.01
    assert source.marks == (Mark(at_s=0.5, text=marks[0]), Mark(at_s=1.25, text=marks[1]))
    assert (source.lost, source.private) == ("", ())


def test_each_signal_keeps_its_own_rate(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The library of the field would raise the slow one to 250 Hz."""
    monkeypatch.setattr(reader, "_BLOCK_BYTES", 1300)
    path = tmp_path / "a.gdf"
    path.write_bytes(gdf([("C3", COUNTS[0]), ("temp", SLOW)], [250, 50]))
    source = open_source(path, None, tmp_path)
    assert [track.stream.rate_hz for track in source.tracks] == [250, 50]
    fast, slow = values(source)
    assert fast.tolist() == (COUNTS[0] / 4).tolist()
    assert slow.tolist() == (SLOW / 4).tolist()
    assert source.tracks[1].stream.read(49, 103).tolist() == (SLOW[49:103] / 4).tolist()


def test_records_of_a_part_of_a_second_and_other_types_are_read(tmp_path: Path) -> None:
    content = bytearray(gdf([("C3", COUNTS[0]), ("temp", SLOW)], [250, 50]))
    content[244:252] = struct.pack("<II", 1, 8)
    path = tmp_path / "a.gdf"
    path.write_bytes(content)
    assert [track.stream.rate_hz for track in open_source(path, None, tmp_path).tracks] == [2000, 400]
    one = bytearray(gdf([("C3", COUNTS[0])], [250]))
    one[256 + 220 : 256 + 224] = struct.pack("<i", 16)
    one[512:] = np.linspace(-2.0, 2.0, 1000).astype("<f4").tobytes()
    path.write_bytes(one)
    (found,) = values(open_source(path, None, tmp_path))
    np.testing.assert_allclose(found, np.linspace(-2.0, 2.0, 1000) / 4, atol=1e-6)


@pytest.mark.parametrize(
    ("records", "cut_bytes", "refused", "lost"),
    [
        (-1, 0, "did not close it", "not closed by its recorder: 4 data records survive, 4 s, and its header says -1"),
        (-1, 601, "did not close it", "not closed by its recorder: 2 data records survive"),
        (None, 601, "2 of the 4 data records", "cut short: 2 data records survive, 2 s, of 4 that its header promises"),
    ],
    ids=["not closed", "not closed and cut", "cut"],
)
def test_what_survives_is_taken_on_a_persons_word(
    tmp_path: Path, records: int | None, cut_bytes: int, refused: str, lost: str
) -> None:
    """The library of the field reads none of these."""
    whole = gdf([("C3", COUNTS[0]), ("temp", SLOW)], [250, 50], records=records)
    path = tmp_path / "a.gdf"
    path.write_bytes(whole[: len(whole) - cut_bytes])
    with pytest.raises(ProblemError, match=rf'{refused}.*write damaged = \["a.gdf"\]'):
        open_source(path, None, tmp_path)
    source = open_source(path, None, tmp_path, salvage=True)
    assert source.lost.startswith(lost)
    fast, slow = values(source)
    assert (fast.tolist(), slow.tolist()) == ((COUNTS[0][: len(fast)] / 4).tolist(), (SLOW[: len(slow)] / 4).tolist())
    assert Fraction(len(fast), 250) == Fraction(len(slow), 50) == (2 if cut_bytes else 4)


def test_a_cut_table_of_events_costs_no_samples(tmp_path: Path) -> None:
    path = tmp_path / "a.gdf"
    path.write_bytes(gdf([("C3", COUNTS[0])], [250], events=[(1, 1), (251, 2), (501, 3)])[:-2])
    with pytest.raises(ProblemError, match=r'table of events.*write damaged = \["a.gdf"\]'):
        open_source(path, None, tmp_path)
    source = open_source(path, None, tmp_path, salvage=True)
    assert [mark.at_s for mark in source.marks] == [0.0, 1.0]
    assert len(values(source)[0]) == 1000
    assert "table of events" in source.lost


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"", "does not begin as a GDF file does"),
        (b"GDF 2.20" + bytes(300), "It declares 0 signals"),
        (b"RIFF" * 100, "does not begin as a GDF file does"),
        (gdf([("C3", COUNTS[0])], [250])[:400], "ends before the 1 signals"),
        (gdf([("C3", COUNTS[0])], [250])[:600], "holds no samples"),
    ],
    ids=["empty", "no signals", "another format", "cut in its headers", "cut in its first record"],
)
def test_what_is_no_recording_is_told(tmp_path: Path, content: bytes, words: str) -> None:
    (tmp_path / "a.gdf").write_bytes(content)
    with pytest.raises(ProblemError, match=f"^a.gdf: .*{words}"):
        open_source(tmp_path / "a.gdf", None, tmp_path)


@given(data=st.data())
@tries(many=200)
def test_spoilt_bytes_give_a_source_or_a_problem_and_nothing_else(tmp_path: Path, data: st.DataObject) -> None:
    path, whole = tmp_path / "a.gdf", gdf([("C3", COUNTS[0]), ("temp", SLOW)], [250, 50], events=[(9, 1)])
    content = spoilt(data, whole, most=4, within=HEADERS)
    path.write_bytes(content[: data.draw(st.sampled_from([len(content), len(content) - 8, 900]))])
    for salvage in (False, True):
        with suppress(ProblemError):
            for track in open_source(path, None, tmp_path, salvage=salvage).tracks:
                assert len(track.stream.read(0, 1)) == 1
