"""EDF and BDF files: headers that lie, gaps, spoilt bytes. The values are checked in tests/reference/."""

from __future__ import annotations

import datetime
import warnings
from contextlib import suppress
from pathlib import Path

import edfio
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from residue.archive.performance import Channel, ChannelKind
from residue.archive.readers.catalogue import open_channel
from residue.archive.readers.edf import Records, open_signal
from residue.archive.readers.edf_layout import ANNOTATIONS, read_layout
from residue.problems import ProblemError

RATE_HZ = 100


def channel(name: str = "a.edf", signal: str | None = "O1", track: int | None = None, unit: str = "uV") -> Channel:
    return Channel(kind=ChannelKind.EEG, file=name, signal=signal, track=track, unit=unit)


def written(folder: Path, labels: tuple[str, ...] = ("O1", "O2"), *, annotated: bool = False) -> Path:
    """Ten one-second records; signal k is a ramp from 0 to 999 in steps of k + 1."""
    signals = [
        edfio.EdfSignal(
            np.arange(1000.0) * (k + 1), RATE_HZ, label=label, physical_dimension="uV", physical_range=(-32768, 32767)
        )
        for k, label in enumerate(labels)
    ]
    annotations = [edfio.EdfAnnotation(1.5, None, "takes the dough")] if annotated else None
    path = folder / "a.edf"
    edfio.Edf(signals, annotations=annotations, data_record_duration=1).write(path)
    return path


def patched(path: Path, offset: int, text: str, width: int = 8) -> Path:
    content = bytearray(path.read_bytes())
    content[offset : offset + width] = text.ljust(width).encode()
    path.write_bytes(content)
    return path


def test_a_signal_is_found_by_label_or_by_number(tmp_path: Path) -> None:
    path = written(tmp_path)
    assert np.array_equal(open_channel(path, channel(signal="O2")).read(0, 1000), np.arange(1000.0) * 2)
    assert np.array_equal(open_channel(path, channel(signal=None, track=1)).read(0, 1000), np.arange(1000.0))


def test_it_can_be_read_across_records_in_any_order(tmp_path: Path) -> None:
    stream = open_channel(written(tmp_path), channel())
    for start, stop in [(950, 1000), (0, 1), (99, 301), (500, 500), (0, 1000)]:
        assert np.array_equal(stream.read(start, stop), np.arange(float(start), float(stop)))


def test_signals_of_a_file_share_what_was_read_of_it(tmp_path: Path) -> None:
    path = written(tmp_path, ("O1", "O2", "Fz"), annotated=True)
    records = Records(path, read_layout(path))
    streams = [open_signal(records, k) for k, label in enumerate(records.layout.labels) if label not in ANNOTATIONS]
    path.unlink()
    for k, stream in enumerate(streams, 1):
        assert np.array_equal(stream.read(150, 950), np.arange(150.0, 950.0) * k)


def with_gaps(path: Path, onsets: list[float]) -> Path:
    """Turn an EDF+C file into an EDF+D one whose records start at these times; edfio itself writes none."""
    content = bytearray(path.read_bytes())
    content[192:197] = b"EDF+D"
    header_bytes, samples = int(content[184:192]), 100 * 2 * 2
    record_bytes = (len(content) - header_bytes) // len(onsets)
    for record, onset in enumerate(onsets):
        start = header_bytes + record * record_bytes + samples
        old = bytes(content[start : start + record_bytes - samples])
        new = f"+{onset:.10g}\x14\x14\x00".encode() + old[old.index(b"\x00") + 1 :]
        content[start : start + record_bytes - samples] = new[: len(old)].ljust(len(old), b"\x00")
    path.write_bytes(content)
    return path


def test_a_gap_between_records_stays_a_gap(tmp_path: Path) -> None:
    """EDF+ specification, 2.2.4: `+567\\x14\\x14\\x00` says that a record starts 567 s after the file does."""
    path = with_gaps(written(tmp_path, annotated=True), [0, 1, 2, 3, 4, 567, 568, 569.5, 570.5, 571.5])
    stream = open_channel(path, channel())
    assert stream.length == round(572.5 * RATE_HZ)
    assert np.array_equal(stream.read(400, 500), np.arange(400.0, 500.0))
    assert np.isnan(stream.read(500, 56_700)).all()
    assert np.array_equal(stream.read(56_700, 56_900), np.arange(500.0, 700.0))
    assert np.isnan(stream.read(56_900, 56_950)).all()
    assert np.array_equal(stream.read(56_950, 57_050), np.arange(700.0, 800.0))


def read_all(path: Path, asked: Channel) -> None:
    stream = open_channel(path, asked)
    stream.read(0, stream.length)


@pytest.mark.parametrize(
    ("onsets", "told"),
    [
        pytest.param([0, 1, 2, 3, 4, 3.5, 6, 7, 8, 9], "backwards", id="time goes back"),
        pytest.param([0, 1, 2, 3, 4, 5, 6, 7, 8, 9e8], "week", id="years apart"),
    ],
)
def test_times_that_cannot_be_are_told(tmp_path: Path, onsets: list[float], told: str) -> None:
    path = with_gaps(written(tmp_path, annotated=True), onsets)
    with pytest.raises(ProblemError, match=told):
        open_channel(path, channel())


def test_a_record_that_does_not_say_when_it_starts_is_told(tmp_path: Path) -> None:
    path = with_gaps(written(tmp_path, annotated=True), [float(k) for k in range(10)])
    content = path.read_bytes().replace(b"+7\x14\x14", b"seve")
    path.write_bytes(content)
    with pytest.raises(ProblemError, match="record 8 does not say"):
        open_channel(path, channel())


# Offsets: EDF specification, header table.
@pytest.mark.parametrize(
    ("offset", "text", "width", "told"),
    [
        pytest.param(0, "1", 8, "does not begin", id="version"),
        pytest.param(184, "99999999", 8, "99999999 bytes", id="header longer than the file"),
        pytest.param(184, "many", 8, '"many"', id="header size is no number"),
        pytest.param(236, "11", 8, "cut short: 10 of the 11", id="more records than there are"),
        pytest.param(236, "-1", 8, "did not close it: its header says -1", id="records unknown"),
        pytest.param(236, "0", 8, "did not close it: its header says 0", id="no records"),
        pytest.param(244, "0", 8, "duration", id="records of no duration"),
        pytest.param(244, "1/0", 8, "duration", id="duration that divides by zero"),
        pytest.param(244, "nan", 8, "duration", id="duration is no number"),
        pytest.param(252, "9999", 4, "declares 9999 signals", id="ten thousand signals"),
        pytest.param(252, "0", 4, "no signals", id="no signals"),
        pytest.param(252, "-1", 4, "no signals", id="fewer than no signals"),
        pytest.param(256 + 2 * 216, "99999999", 8, "cut short", id="records larger than the file"),
        pytest.param(256 + 2 * 104, "32767", 8, "physical range", id="physical range of nothing"),
        pytest.param(256 + 2 * 104, "inf", 8, "physical range", id="physical range without end"),
        pytest.param(256 + 2 * 120, "32767", 8, "digital range", id="digital range of nothing"),
    ],
)
def test_a_lying_header_is_told(tmp_path: Path, offset: int, text: str, width: int, told: str) -> None:
    path = patched(written(tmp_path), offset, text, width)
    with pytest.raises(ProblemError, match=told):
        read_all(path, channel())


@pytest.mark.parametrize(
    ("asked", "told"),
    [
        pytest.param(channel(signal="O1x"), "Did you mean O1", id="near label"),
        pytest.param(channel(signal=None), "more than one signal", id="none named"),
        pytest.param(channel(signal=None, track=3), "no signal 3.*1 to 2", id="number too high"),
        pytest.param(channel(unit="mV"), 'Write unit = "uV"', id="other unit"),
    ],
)
def test_a_wrong_question_is_answered_with_the_right_ones(tmp_path: Path, asked: Channel, told: str) -> None:
    with pytest.raises(ProblemError, match=told):
        open_channel(written(tmp_path), asked)


def test_two_signals_of_one_label_are_told_apart_by_number(tmp_path: Path) -> None:
    with pytest.raises(ProblemError, match="track"):
        open_channel(written(tmp_path, labels=("O1", "O1")), channel())


def test_a_file_cut_short_is_told(tmp_path: Path) -> None:
    path = written(tmp_path)
    path.write_bytes(path.read_bytes()[:-150])
    with pytest.raises(ProblemError, match="cut short: 9 of the 10"):
        open_channel(path, channel())


@given(data=st.data())
def test_spoilt_bytes_give_samples_or_a_problem_and_nothing_else(tmp_path: Path, data: st.DataObject) -> None:
    path = written(tmp_path, annotated=data.draw(st.booleans()))
    content = bytearray(path.read_bytes())
    if data.draw(st.booleans()):
        content[192:197] = b"EDF+D"
    for _ in range(data.draw(st.integers(1, 6))):
        place = data.draw(st.integers(0, 256 * 4 - 1))
        content[place] = data.draw(st.sampled_from([0, 32, 45, 46, 48, 49, 57, 101, 255, place % 256]))
    path.write_bytes(content[: data.draw(st.sampled_from([len(content), 1500, 700, 256, 3]))])
    with suppress(ProblemError):
        stream = open_channel(path, channel(unit="1"))
        assert len(stream.read(0, min(stream.length, 100_000))) == min(stream.length, 100_000)


def test_bdf_has_three_bytes_a_sample(tmp_path: Path) -> None:
    """check: 24-bit little-endian bytes 18 FC FF = -1000 (BioSemi's file format page)."""
    digital = np.array([-1000, 32_000, 8_388_607, -8_388_608] * 25, dtype=np.int32)
    signal = edfio.BdfSignal.from_digital(digital, RATE_HZ, label="O1", physical_range=(-262_144, 262_143))
    path = tmp_path / "a.bdf"
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        edfio.Bdf([signal], starttime=datetime.time(1, 2, 3)).write(path)
    assert path.read_bytes()[512:515] == bytes([0x18, 0xFC, 0xFF])
    values = open_channel(path, channel("a.bdf", unit="1")).read(0, 4)
    assert values[1:] == pytest.approx([999.5138, 262_143, -262_144], abs=5e-5)
