"""WFDB records as sources."""

from __future__ import annotations

import re
import sys
from contextlib import suppress
from datetime import datetime
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from residue.archive.ingest.extras import extra, without_warnings
from residue.archive.ingest.sources.catalogue import open_source
from residue.archive.performance import ChannelKind, Mark
from residue.problems import ProblemError
from tests.reference.recordings import wfdb_record

wfdb = extra("wfdb", Path(__file__))


def written(folder: Path) -> Path:
    """Two signals at 360 Hz with beats, a note, and a start."""
    digital = np.stack([np.arange(3600) % 2000 - 1000, np.arange(3600) % 100], axis=1)
    with without_warnings():
        write(folder, digital)
    return folder / "evening.hea"


def write(folder: Path, digital: np.ndarray) -> None:
    wfdb.wrsamp(
        "evening",
        fs=360,
        units=["mV", "NU"],
        sig_name=["ECG II", "RESP"],
        d_signal=digital,
        fmt=["16", "16"],
        adc_gain=[200.0, 1.0],
        baseline=[1024, 0],
        base_date=datetime(2026, 2, 11).date(),  # noqa: DTZ001 - WFDB knows no offset
        base_time=datetime(2026, 2, 11, 23, 40).time(),  # noqa: DTZ001
        comments=["Ida Brandt, 34"],
        write_dir=str(folder),
    )
    wfdb.wrann(
        "evening",
        "atr",
        sample=np.array([100, 388, 500, 680, 975]),
        symbol=["N", "V", '"', "N", "N"],
        aux_note=["", "", "sits down", "", ""],
        write_dir=str(folder),
    )


def test_a_record_of_another_program_has_the_values_of_its_own_bytes(tmp_path: Path) -> None:
    """Format 32, gain 1670170410.118683 and baseline 206334042 to a mV, by its header; decoded here without wfdb."""
    path = wfdb_record()
    digital = np.fromfile(path.with_suffix(".dat"), "<i4").astype(np.float64)
    source = open_source(path, None, tmp_path)
    stream = source.tracks[0].stream
    assert (source.labels, source.tracks[0].unit, int(stream.rate_hz)) == (["II"], "mV", 250)
    assert stream.read(0, stream.length) == pytest.approx((digital - 206_334_042) / 1670170410.118683, rel=1e-12)


def test_signals_beats_notes_and_the_start_are_found(tmp_path: Path) -> None:
    source = open_source(written(tmp_path), None, tmp_path)
    assert [(track.label, track.unit, track.kind) for track in source.tracks] == [
        ("ECG II", "mV", ChannelKind.ECG),
        ("RESP", "1", ChannelKind.RESP),
    ]
    values = source.tracks[0].stream.read(0, 3600)
    assert np.array_equal(values, ((np.arange(3600) % 2000 - 1000) - 1024) / 200.0)
    (beats,) = source.beats
    assert beats.start_s == pytest.approx(100 / 360)
    assert beats.beats.intervals_s == pytest.approx([0, 288 / 360, 292 / 360, 295 / 360])
    assert source.marks == (Mark(at_s=500 / 360, text="sits down"),)
    assert source.began == datetime(2026, 2, 11, 23, 40)  # noqa: DTZ001
    assert source.private == ("remark (Ida Brandt, 34)",)


def test_segments_of_a_record_are_one_signal_after_the_other(tmp_path: Path) -> None:
    """Header of a multi-segment record: name/segments, then one line a segment (WFDB header(5); from memory)."""
    whole = open_source(written(tmp_path), None, tmp_path).tracks[0].stream.read(0, 3600)
    for segment, samples in (("first", 2000), ("second", 1600)):
        text = (
            (tmp_path / "evening.hea")
            .read_text(encoding="utf-8")
            .replace("evening 2 360 3600", f"{segment} 2 360 1600")
        )
        (tmp_path / f"{segment}.hea").write_text(text.replace("1600", str(samples), 1), encoding="utf-8")
    (tmp_path / "night.hea").write_text("night/2 2 360 3600\nfirst 2000\nsecond 1600\n", encoding="utf-8")
    source = open_source(tmp_path / "night.hea", None, tmp_path)
    stream = source.tracks[0].stream
    assert source.labels == ["ECG II", "RESP"]
    assert np.array_equal(stream.read(0, 3600), np.concatenate((whole[:2000], whole[:1600])))
    assert np.array_equal(stream.read(1990, 2010), np.concatenate((whole[1990:2000], whole[:10])))


def test_signals_without_a_name_or_with_the_same_are_told_apart(tmp_path: Path) -> None:
    path = written(tmp_path)
    text = path.read_text(encoding="utf-8")
    path.write_text(text.replace("RESP", "ECG II"), encoding="utf-8")
    assert open_source(path, None, tmp_path).labels[:2] == ["ECG II (1)", "ECG II (2)"]
    path.write_text(text.replace(" RESP", ""), encoding="utf-8")
    assert open_source(path, None, tmp_path).labels[:2] == ["ECG II", "signal (2)"]


def test_a_missing_reader_names_the_extra(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = written(tmp_path)
    monkeypatch.setitem(sys.modules, "wfdb", None)
    with pytest.raises(ProblemError, match=rf"{re.escape(sys.executable)} -m pip install wfdb"):
        open_source(path, None, tmp_path)


@pytest.mark.parametrize(
    ("header", "told"),
    [
        pytest.param("", "not a WFDB record", id="empty"),
        pytest.param("evening 1000000 360 3600\n", "declares 1000000 signals", id="a million signals"),
        pytest.param("evening 0 360\n", "declares 0 signals", id="no signals"),
        pytest.param("evening 1 360 3600\nelsewhere.dat 16 200 16 0 0 0 0 I\n", "not a WFDB record", id="no data file"),
        pytest.param("evening 1 360 9999999\nevening.dat 16 200 16 0 0 0 0 I\n", "not a WFDB record", id="too long"),
        pytest.param("evening 1 0 3600\nevening.dat 16 200 16 0 0 0 0 I\n", "WFDB record|no samples", id="no rate"),
    ],
)
def test_a_lying_header_is_told(tmp_path: Path, header: str, told: str) -> None:
    path = written(tmp_path)
    path.write_text(header, encoding="utf-8")
    with pytest.raises(ProblemError, match=told):
        open_source(path, None, tmp_path)


@given(data=st.data())
def test_spoilt_headers_give_a_source_or_a_problem_and_nothing_else(tmp_path: Path, data: st.DataObject) -> None:
    path = written(tmp_path)
    content = bytearray(path.read_bytes())
    for _ in range(data.draw(st.integers(1, 4))):
        content[data.draw(st.integers(0, len(content) - 1))] = data.draw(st.sampled_from(b"0123456789 /().-x\n"))
    path.write_bytes(content)
    with suppress(ProblemError):
        for track in open_source(path, None, tmp_path).tracks:
            wanted = min(track.stream.length, 5_000)
            assert len(track.stream.read(0, wanted)) == wanted


def test_of_a_record_that_was_cut_short_what_is_there_is_taken_on_a_persons_word(tmp_path: Path) -> None:
    path = written(tmp_path)
    whole = [track.stream.read(0, track.stream.length) for track in open_source(path, None, tmp_path).tracks]
    data = path.with_suffix(".dat")
    data.write_bytes(data.read_bytes()[: 1_234 * 4 + 1])  # two signals of two bytes, and half a number
    with pytest.raises(ProblemError, match=r'damaged = \["evening\.hea"\]'):
        open_source(path, None, tmp_path)
    source = open_source(path, None, tmp_path, salvage=True)
    assert source.lost == "cut short: 1234 samples survive, of 3600 that its header promises"
    for track, expected in zip(source.tracks, whole, strict=True):
        assert np.array_equal(track.stream.read(0, track.stream.length), expected[:1_234])
