"""EDF and BDF files as sources: names, annotations, start, and the samples that stay."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, datetime, time
from pathlib import Path

import edfio
import numpy as np
import pytest

from residue.archive.ingest.keeping import keep
from residue.archive.ingest.sources.catalogue import open_source
from residue.archive.performance import Channel, ChannelKind, Mark
from residue.archive.readers.catalogue import open_channel
from residue.archive.readers.edf_annotations import record_onsets, without_notes
from residue.archive.readers.edf_layout import read_layout


def test_annotations_are_marks_and_the_start_is_that_of_the_header(tmp_path: Path) -> None:
    signal = edfio.EdfSignal(np.arange(1000.0), 100, label="Fp1", physical_dimension="mV")
    annotations = [edfio.EdfAnnotation(1.5, None, "sits down"), edfio.EdfAnnotation(4.25, 2.0, "warmer")]
    recording = edfio.Recording(startdate=date(2026, 2, 11))
    edfio.Edf([signal], recording=recording, annotations=annotations, starttime=time(23, 40, 5)).write(
        tmp_path / "a.edf"
    )
    source = open_source(tmp_path / "a.edf", None, tmp_path)
    assert source.marks == (Mark(at_s=1.5, text="sits down"), Mark(at_s=4.25, text="warmer"))
    assert source.began == datetime(2026, 2, 11, 23, 40, 5)  # noqa: DTZ001 - the format knows no offset
    assert [(track.label, track.unit, track.kind) for track in source.tracks] == [("Fp1", "mV", ChannelKind.EEG)]


def test_a_file_whose_date_was_taken_out_does_not_claim_one(tmp_path: Path) -> None:
    """EDF+ specification, 2.1.3.3: a start date that is not known is "Startdate X"."""
    edfio.Edf([edfio.EdfSignal(np.arange(100.0), 100)], starttime=time(23, 40, 5)).write(tmp_path / "a.edf")
    assert open_source(tmp_path / "a.edf", None, tmp_path).began is None


# EDF specification: 85 to 99 are 1985 to 1999, 00 to 84 are 2000 to 2084.
@pytest.mark.parametrize(("year", "meant"), [("85", 1985), ("99", 1999), ("00", 2000), ("84", 2084)])
def test_two_digits_of_a_year_are_of_the_right_century(tmp_path: Path, year: str, meant: int) -> None:
    path = tmp_path / "a.edf"
    edfio.Edf([edfio.EdfSignal(np.arange(100.0), 100)]).write(path)
    content = bytearray(path.read_bytes())
    content[88:168] = b" " * 80
    content[168:184] = f"02.05.{year}01.02.03".encode()
    path.write_bytes(content)
    assert open_source(path, None, tmp_path).began == datetime(meant, 5, 2, 1, 2, 3)  # noqa: DTZ001


@pytest.mark.parametrize(
    ("patient", "recording", "told"),
    [
        pytest.param("X X X X", "Startdate 02-MAR-2002 X X X", 0, id="nobody"),
        pytest.param("", "", 0, id="empty"),
        # The specification's own examples.
        pytest.param("MCH-0234567 F 02-MAY-1951 Haagse_Harry", "Startdate 02-MAR-2002 X X X", 1, id="a patient"),
        pytest.param("X X X X", "Startdate 02-MAR-2002 PSG-1234/2002 NN Telemetry03", 1, id="a device"),
    ],
)
def test_a_name_in_the_header_is_seen(tmp_path: Path, patient: str, recording: str, told: int) -> None:
    path = tmp_path / "a.edf"
    edfio.Edf([edfio.EdfSignal(np.arange(100.0), 100)]).write(path)
    content = bytearray(path.read_bytes())
    content[8:88], content[88:168] = patient.ljust(80).encode(), recording.ljust(80).encode()
    path.write_bytes(content)
    assert len(open_source(path, None, tmp_path).private) == told


def test_of_two_signals_with_one_label_each_can_be_kept(tmp_path: Path) -> None:
    signals = [edfio.EdfSignal(np.arange(100.0) * k, 100, label="EEG", physical_range=(0, 200)) for k in (1, 2)]
    edfio.Edf(signals).write(tmp_path / "a.edf")
    source = open_source(tmp_path / "a.edf", None, tmp_path)
    assert source.labels == ["EEG (1)", "EEG (2)"]
    (tmp_path / "kept").mkdir()
    asked = {"second": Channel(kind=ChannelKind.EEG, file="a.edf", signal="EEG (2)")}
    channel = keep(source, asked, tmp_path / "kept", keep_private=False).channels["second"]
    stream = open_channel(tmp_path / "kept" / "a.edf", channel)
    assert stream.read(0, 100) == pytest.approx(np.arange(100.0) * 2, abs=0.002)


FIELDS = [
    pytest.param(slice(197, 236), "MRN 4711", "reserved text", id="reserved"),
    pytest.param(slice(256 + 16 * 2, 256 + 16 * 2 + 80), "AgAgCl of Ida Brandt", "transducer text", id="transducer"),
    pytest.param(slice(256 + 136 * 2, 256 + 136 * 2 + 80), "as for MRN 4711", "prefilter text", id="prefilter"),
    pytest.param(slice(256 + 224 * 2, 256 + 224 * 2 + 32), "Ida Brandt", "reserved text", id="reserved of a signal"),
]
"""Places after the EDF specification, in a file of two signals."""


def two_signals(path: Path, notes: Sequence[edfio.EdfAnnotation] = ()) -> np.ndarray:
    """A file of one signal and its annotations; returns the samples."""
    signal = edfio.EdfSignal(np.random.default_rng(8).normal(0, 40, 400), 100, label="O1", physical_dimension="uV")
    edfio.Edf([signal], annotations=[*notes, edfio.EdfAnnotation(0.5, None, "sits down")]).write(path)
    return edfio.read_edf(path).signals[0].data


def stripped(path: Path, into: Path, *notes: str) -> bytes:
    source = open_source(path, None, into.parent)
    into.mkdir()
    asked = {"o1": Channel(kind=ChannelKind.EEG, file=path.name, signal="O1")}
    keep(source, asked, into, keep_private=False, notes=notes)
    return (into / path.name).read_bytes()


@pytest.mark.parametrize(("place", "text", "told"), FIELDS)
def test_free_text_in_the_header_is_seen_and_taken_out(tmp_path: Path, place: slice, text: str, told: str) -> None:
    path = tmp_path / "a.edf"
    samples = two_signals(path)
    content = bytearray(path.read_bytes())
    content[place] = text.ljust(place.stop - place.start).encode()
    path.write_bytes(content)
    assert f"{told} ({text})" in open_source(path, None, tmp_path).private
    kept = stripped(path, tmp_path / "kept", "sits down")
    assert text.encode() not in kept
    assert len(kept) == len(content)
    assert np.array_equal(edfio.read_edf(tmp_path / "kept" / "a.edf").signals[0].data, samples)


@pytest.mark.parametrize("filters", ["HP:0.1Hz LP:75Hz N:50Hz", "HP:DC LP: 100Hz", "HP:0,16Hz LP:1kHz"])
def test_filters_in_the_words_of_the_specification_stay(tmp_path: Path, filters: str) -> None:
    path = tmp_path / "a.edf"
    two_signals(path)
    content = bytearray(path.read_bytes())
    content[256 + 136 * 2 : 256 + 136 * 2 + 80] = filters.ljust(80).encode()
    path.write_bytes(content)
    assert open_source(path, None, tmp_path).private == ()
    assert filters.encode() in stripped(path, tmp_path / "kept")


def test_without_its_notes_a_file_keeps_the_time_of_every_record(tmp_path: Path) -> None:
    path = tmp_path / "a.edf"
    samples = two_signals(path, [edfio.EdfAnnotation(at_s, None, "MRN 4711") for at_s in (0.1, 1.5, 2.5, 3.9)])
    before = list(record_onsets(path, read_layout(path)))
    kept = stripped(path, tmp_path / "kept")
    assert b"4711" not in kept
    assert b"sits down" not in kept
    after = tmp_path / "kept" / "a.edf"
    assert list(record_onsets(after, read_layout(after))) == before
    assert np.array_equal(edfio.read_edf(after).signals[0].data, samples)
    assert edfio.read_edf(after).annotations == ()


def test_what_stands_behind_the_last_record_is_not_kept(tmp_path: Path) -> None:
    path = tmp_path / "a.edf"
    two_signals(path)
    path.write_bytes(path.read_bytes() + b"MRN 4711")
    assert b"4711" not in stripped(path, tmp_path / "kept")


@pytest.mark.parametrize(
    ("raw", "kept"),
    [
        pytest.param(b"+0\x14\x14\x00+1\x14clap\x14\x00", b"+0\x14\x14\x00+1\x14clap\x14\x00", id="kept"),
        pytest.param(b"+0\x14\x14MRN 1\x14clap\x14\x00", b"+0\x14\x14clap\x14\x00", id="one of two"),
        pytest.param(b"+0\x14MRN 1\x14\x00", b"+0\x14\x14\x00", id="a note where the time is kept"),
        pytest.param(b"-0.5\x14\x14MRN 1\x14\x00", b"-0.5\x14\x14\x00", id="before the start"),
        pytest.param(b"+0\x14\x14\x00+1\x15MRN 1\x14clap\x14\x00", b"+0\x14\x14\x00+1\x14clap\x14\x00", id="duration"),
        pytest.param(b"+0\x14\x14\x00+x\x14MRN 1\x14\x00", b"+0\x14\x14\x00", id="spoilt list"),
        pytest.param(b"MRN 1\x14\x14\x00", b"", id="no time"),
        pytest.param(b"+0\x14\x14\x00MRN 1", b"+0\x14\x14\x00", id="behind the lists"),
    ],
)
def test_only_times_and_allowed_notes_are_left_of_a_record(raw: bytes, kept: bytes) -> None:
    """EDF+ specification, 2.2.2 to 2.2.4."""
    assert without_notes(raw, {"clap"}, keeps_time=True) == kept.ljust(len(raw), b"\x00")
