"""EDF and BDF files as sources: names, annotations, start, and the samples that stay."""

from __future__ import annotations

from datetime import date, datetime, time
from pathlib import Path

import edfio
import numpy as np
import pytest

from residue.archive.ingest.keeping import keep
from residue.archive.ingest.sources.catalogue import open_source
from residue.archive.performance import Channel, ChannelKind, Mark
from residue.archive.readers.catalogue import open_channel


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
