"""Files of named arrays as sources: what NumPy, scipy and h5py wrote is read as they read it."""

from __future__ import annotations

import struct
import sys
import uuid
from collections.abc import Callable, Mapping
from contextlib import suppress
from datetime import date
from pathlib import Path

import h5py
import numpy as np
import pytest
import scipy.io
from hypothesis import given
from hypothesis import strategies as st

from residue.archive.ingest import memory
from residue.archive.ingest.describe import Description
from residue.archive.ingest.facts import TableFacts
from residue.archive.ingest.run import ingest
from residue.archive.ingest.source import IngestSource
from residue.archive.ingest.sources.catalogue import open_source, survey_source
from residue.archive.performance import Channel, ChannelKind
from residue.archive.readers.catalogue import open_channel
from residue.problems import ProblemError
from tests.properties import spoilt, tries
from tests.reference.recordings import emg_file, hdf5_exports

RNG = np.random.default_rng(11)
EMG = RNG.normal(0, 1, (500, 3))
FORCE = RNG.integers(-(2**15), 2**15, 500).astype(np.int16)


def values(source: IngestSource) -> np.ndarray:
    """(samples, tracks)."""
    return np.array([track.stream.read(0, track.stream.length) for track in source.tracks]).T


def write_hdf5(path: Path, contents: Mapping[str, object], turned: bool = False) -> None:  # noqa: FBT001, FBT002
    """As a program of ours, or turned and behind a text of 512 bytes, as MATLAB 7.3 keeps it."""
    with h5py.File(path, "w", userblock_size=512 if turned else 0) as file:
        for name, value in contents.items():
            file[name] = np.asarray(value).T if turned else value
    if turned:
        with path.open("r+b") as raw:
            raw.write(b"MATLAB 7.3 MAT-file".ljust(124) + b"\x00\x02IM")


CONTENTS = {"body/emg": EMG, "body/force": FORCE[:, None], "fs": np.array([[500.0]]), "short": np.arange(7.0)}
WRITERS: dict[str, Callable[[Path], None]] = {
    "a.npz": lambda path: np.savez_compressed(path, **CONTENTS),  # type: ignore[arg-type]
    "a.mat": lambda path: scipy.io.savemat(
        path, {"body": {"emg": EMG, "force": FORCE}, "fs": 500.0, "short": np.arange(7.0)}, do_compression=True
    ),
    "b.mat": lambda path: write_hdf5(path, CONTENTS, turned=True),
    "a.h5": lambda path: write_hdf5(path, CONTENTS),
}


@pytest.mark.parametrize("name", WRITERS)
def test_the_longest_arrays_become_tracks_at_the_rate_that_the_file_states(tmp_path: Path, name: str) -> None:
    WRITERS[name](tmp_path / name)
    source = open_source(tmp_path / name, None, tmp_path)
    assert [label.removeprefix("body/") for label in source.labels] == ["emg 1", "emg 2", "emg 3", "force"]
    assert np.array_equal(values(source), np.column_stack([EMG, FORCE]))
    assert source.tracks[0].stream.rate_hz == 500
    assert source.told == (
        "500 rows a second, as a number in it states",
        "1 shorter arrays were left out, since they cannot have the same rate",
    )
    assert survey_source(tmp_path / name, tmp_path)[1] == {"rate_hz": 500.0}


def test_an_array_alone_needs_a_rate_and_is_read_from_the_disk(tmp_path: Path) -> None:
    np.save(tmp_path / "a.npy", EMG.T)  # channels first: the longer side is time
    with pytest.raises(ProblemError, match="does not state its rate"):
        open_source(tmp_path / "a.npy", None, tmp_path)
    source = open_source(tmp_path / "a.npy", TableFacts(rate_hz=250), tmp_path)
    assert np.array_equal(values(source), EMG)
    assert np.array_equal(source.tracks[1].stream.read(100, 103), EMG[100:103, 1])
    assert isinstance(source.tracks[0].stream.column.column.array, np.memmap)  # type: ignore[attr-defined]


def test_records_with_a_time_each_are_placed_by_it(tmp_path: Path) -> None:
    rows = np.zeros(100, [("t_ms", "<i8"), ("grip", "<f4")])
    rows["t_ms"] = 4 * np.arange(100)
    rows["grip"] = np.arange(100)
    rows = np.delete(rows, range(10, 20))
    np.save(tmp_path / "a.npy", rows)
    source = open_source(tmp_path / "a.npy", TableFacts(time="t_ms"), tmp_path)
    assert source.labels == ["grip"]
    assert source.tracks[0].stream.rate_hz == 250
    assert np.isnan(values(source)[10:20]).all()
    assert values(source)[20:, 0].tolist() == list(range(20, 100))


def test_a_file_by_a_recorder_is_read_as_scipy_reads_it(tmp_path: Path) -> None:
    """openhdemg 0.1.2 (GPL-3): 75 columns named by a list beside them, and the rate in SamplingFrequency."""
    source = open_source(emg_file(), None, tmp_path)
    raw = scipy.io.loadmat(emg_file(), simplify_cells=True)
    assert source.labels[:75] == list(raw["Description"])
    assert np.array_equal(values(source)[:, :75], raw["Data"].astype(np.float64))
    assert source.tracks[0].stream.rate_hz == 2048


def test_hdf5_by_a_recorder_is_read_as_h5py_reads_it(tmp_path: Path) -> None:
    """biosignalsnotebooks 0.6.14 (MIT). The one at 10 Hz is too slow for an ECG, and that is pointed out."""
    for path, rate_hz in hdf5_exports().items():
        source = open_source(path, None, tmp_path)
        with h5py.File(path) as file:
            (device,) = file
            expected = file[device]["raw"]["channel_1"][:, 0]
        track = next(track for track in source.tracks if track.label == "channel_1")
        assert np.array_equal(track.stream.read(0, track.stream.length), expected)
        assert track.stream.rate_hz == rate_hz
        heart = Channel(kind=ChannelKind.ECG, file=path.name, signal="channel_1")
        done = ingest([path], tmp_path / path.stem, Description(title="x", channel={"heart": heart}), date(2026, 3, 1))
        assert ("10 Hz is too slow for ecg" in done.report) is (rate_hz == 10)
        kept = open_channel(done.bag.file_of("heart"), done.bag.performance.channel["heart"])
        assert np.array_equal(kept.read(0, kept.length), expected)


def test_a_missing_reader_names_the_line_that_installs_it(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    WRITERS["a.h5"](tmp_path / "a.h5")
    monkeypatch.setitem(sys.modules, "h5py", None)
    with pytest.raises(ProblemError, match="pip install h5py"):
        open_source(tmp_path / "a.h5", None, tmp_path)


def test_what_would_not_fit_into_memory_is_refused_before_it_is_read(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Files of a few kilobytes that unpack to eight megabytes."""
    monkeypatch.setattr(memory, "memory_free_bytes", lambda: 1_000_000)
    np.savez_compressed(tmp_path / "a.npz", a=np.zeros(10**6))
    scipy.io.savemat(tmp_path / "a.mat", {"a": np.zeros(10**6)}, do_compression=True)
    for name in ("a.npz", "a.mat"):
        assert (tmp_path / name).stat().st_size < 20_000
        with pytest.raises(ProblemError, match=r"takes up to 0\.0 GB of memory.*npy"):
            open_source(tmp_path / name, TableFacts(rate_hz=100), tmp_path)


def npy(header: bytes, body: bytes = b"") -> bytes:
    return b"\x93NUMPY\x01\x00" + struct.pack("<H", len(header)) + header + body


HOSTILE = {
    "empty.npy": b"",
    "objects.npy": npy(b"{'descr': '|O', 'fortran_order': False, 'shape': (3,)}\n", b"cos\nsystem\n"),
    "promises.npy": npy(b"{'descr': '<f8', 'fortran_order': False, 'shape': (1000000000000,)}\n", bytes(64)),
    "code.npy": npy(b"__import__('os').system('true')\n"),
    "open.npy": npy(b"{'descr': ('<f8'\n"),
    "complex.npy": npy(b"{'descr': '<c16', 'fortran_order': False, 'shape': (2,)}\n", bytes(32)),
    "four.npy": npy(b"{'descr': '<f8', 'fortran_order': False, 'shape': (2, 2, 2)}\n", bytes(64)),
    "no.npz": b"PK\x03\x04 and nothing",
    "empty.mat": b"",
    "text.mat": b"MATLAB 5.0 MAT-file".ljust(124) + b"\x00\x01IM" + bytes(64),
    "cut.h5": b"\x89HDF\r\n\x1a\n" + bytes(100),
    "text.h5": b"hello",
}


@pytest.mark.parametrize("name", HOSTILE)
def test_what_is_no_recording_is_told_in_a_sentence(tmp_path: Path, name: str) -> None:
    (tmp_path / name).write_bytes(HOSTILE[name])
    with pytest.raises(ProblemError) as caught:
        open_source(tmp_path / name, TableFacts(rate_hz=100), tmp_path)
    (finding,) = caught.value.findings
    assert finding.where == name
    assert "\n" not in finding.what


def test_a_damaged_part_of_a_file_is_told_when_it_is_read(tmp_path: Path) -> None:
    path = tmp_path / "a.h5"
    with h5py.File(path, "w") as file:
        emg = file.create_dataset("emg", data=np.arange(128.0), chunks=(64,), compression="gzip")
        place = emg.id.get_chunk_info(1).byte_offset
    with path.open("r+b") as spoilt:
        spoilt.seek(place)
        spoilt.write(bytes(16))
    stream = open_source(path, TableFacts(rate_hz=100), tmp_path).tracks[0].stream
    assert stream.read(0, 64).tolist() == list(range(64))
    with pytest.raises(ProblemError, match=r"^a\.h5: It cannot be read"):
        stream.read(0, 128)


def test_a_data_set_of_rows_without_end_is_refused(tmp_path: Path) -> None:
    """HDF5 keeps nothing for rows that were never written: a kilobyte may declare 10^15 of them."""
    with h5py.File(tmp_path / "a.h5", "w") as file:
        file.create_dataset("emg", shape=(10**15,), chunks=(1024,), dtype="<f8")
    with pytest.raises(ProblemError, match="more rows than a recording can have"):
        open_source(tmp_path / "a.h5", TableFacts(rate_hz=100), tmp_path)


@pytest.mark.parametrize(
    "name", ["a.npz", pytest.param("a.mat", marks=pytest.mark.long), "a.h5"]
)  # a process for each of MATLAB
@given(data=st.data())
@tries(many=60)
def test_spoilt_bytes_give_a_source_or_a_problem_and_nothing_else(
    tmp_path: Path, name: str, data: st.DataObject
) -> None:
    whole = tmp_path / f"whole {name}"
    if not whole.exists():
        WRITERS[name](whole)
    content = spoilt(data, whole.read_bytes(), most=4)
    path = tmp_path / f"{uuid.uuid4()} {name}"  # HDF5 would share what it knows of a file that is still open
    path.write_bytes(content[: data.draw(st.sampled_from([len(content), len(content) // 2, 600]))])
    with suppress(ProblemError):
        for track in open_source(path, TableFacts(rate_hz=100), tmp_path).tracks:
            assert len(track.stream.read(0, 5)) == 5
