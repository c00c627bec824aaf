"""Recordings in the formats that ingest reads with the library of a field, by good files of each."""

from __future__ import annotations

import subprocess
import wave
from collections.abc import Callable, Sequence
from datetime import datetime
from pathlib import Path

import h5py
import numpy as np
import pybv
import scipy.io
import soundfile

from residue.archive.ingest.extras import without_warnings
from residue.archive.ingest.facts import TableFacts
from residue.archive.ingest.sources.catalogue import survey_source
from tests.archive.ingest.sources.fit_writer import fit, fit_rows
from tests.archive.ingest.sources.gdf_writer import gdf
from tests.archive.ingest.sources.test_acq import written as acq
from tests.archive.ingest.sources.test_activity import point, tcx
from tests.archive.ingest.sources.test_arrays import write_hdf5
from tests.archive.ingest.sources.test_gdf import FILES as GDF_FILES
from tests.fuzz.recordings import emptied, heard, opening
from tests.fuzz.target import Target, Trial, answered, joined, parts

_RATE = TableFacts(rate_hz=100.0)
_WAVE = np.sin(np.arange(200) / 9)
_COUNTS = np.stack([np.arange(200) - 100, np.arange(200) % 50])
_TIMES = [f"2026-02-11T22:40:{second:02}Z" for second in range(20)]
_ARRAYS = {"emg": np.stack([_WAVE, -_WAVE], axis=1), "force": _COUNTS[0].astype(np.int16), "fs": np.array([[100.0]])}


def _activities(_folder: Path) -> Sequence[bytes]:
    placed = "<Position><LatitudeDegrees>48.1</LatitudeDegrees></Position>"
    texts = [tcx(*(point(time, 60 + n) for n, time in enumerate(_TIMES))), tcx(*(f"<Time>{_TIMES[0]}</Time>{placed}",))]
    return [text.encode() for text in texts]


def _fits(_folder: Path) -> Sequence[bytes]:
    return [fit(800, 0xFFFF, 850, 810), fit_rows([(1_000 + second, 60 + second % 9) for second in range(30)])]


def _gdfs(_folder: Path) -> Sequence[bytes]:
    signals = [("C3", _COUNTS[0]), ("emg", _COUNTS[1])]
    told = gdf(signals, [100, 100], patient="P01 Ida", began=datetime(2026, 2, 11, 23, 40), events=[(9, 768)])  # noqa: DTZ001
    others = [file.read_bytes() for file in sorted(GDF_FILES.glob("*.gdf"))]
    return [gdf([signals[0], ("slow", _COUNTS[1][::2])], [100, 50]), told, *others]


_PARTS = ("vhdr", "vmrk", "eeg")


def _brainvisions(folder: Path) -> Sequence[bytes]:
    found = []
    for form in ("binary_int16", "binary_float32"):
        with without_warnings():
            pybv.write_brainvision(
                data=1e-5 * np.stack([_WAVE, -_WAVE]),
                sfreq=100,
                ch_names=["O1", "emg arm"],
                fname_base="a",
                folder_out=folder,
                unit="µV",
                events=[{"onset": 40, "description": "clap", "type": "Comment"}],
                fmt=form,
                overwrite=True,
            )
        found.append(joined({name: (folder / f"a.{name}").read_bytes() for name in _PARTS}))
    return found


def _brainvision(folder: Path) -> Trial:
    def once(content: bytes) -> str:
        with emptied(folder) as inner:
            for name, file in parts(content).items():
                if name in _PARTS:
                    (inner / f"a.{name}").write_bytes(file)
            return opening_of(inner / "a.vhdr", inner)

    return once


def opening_of(path: Path, scratch: Path) -> str:
    """As for a template, which takes what survives."""
    return answered(lambda: heard(survey_source(path, scratch)[0], scratch))


def _surveyed(name: str, *facts: TableFacts | None) -> Callable[[Path], Trial]:
    """Opened for a template, and with each of these facts."""

    def trial(folder: Path) -> Trial:
        ways = [opening(name, facts=one)(folder) for one in facts or (None,)]

        def once(content: bytes) -> str:
            with emptied(folder) as inner:
                (inner / name).write_bytes(content)
                found = [opening_of(inner / name, inner)]
            return " / ".join([*found, *(way(content) for way in ways)])

        return once

    return trial


def _npys(folder: Path) -> Sequence[bytes]:
    path = folder / "a.npy"
    found = []
    for array in (_ARRAYS["emg"], np.asfortranarray(_ARRAYS["emg"]), _ARRAYS["force"]):
        np.save(path, array)
        found.append(path.read_bytes())
    return found


def _npzs(folder: Path) -> Sequence[bytes]:
    path = folder / "a.npz"
    found = []
    for save in (np.savez, np.savez_compressed):
        save(path, **_ARRAYS)
        found.append(path.read_bytes())
    return found


def _mats(folder: Path) -> Sequence[bytes]:
    path = folder / "a.mat"
    found = []
    for squeezed in (False, True):
        scipy.io.savemat(
            path, {"body": {"emg": _ARRAYS["emg"], "names": ["arm", "leg"]}, "fs": 100.0}, do_compression=squeezed
        )
        found.append(path.read_bytes())
    return found


def _hdf5s(folder: Path, *, matlab: bool) -> Sequence[bytes]:
    path = folder / "a.h5"
    write_hdf5(path, {f"body/{name}": array for name, array in _ARRAYS.items()}, matlab)
    found = [path.read_bytes()]
    with h5py.File(path, "w") as file:
        file.create_dataset("emg", data=_WAVE, chunks=(64,), compression="gzip")
        file.attrs["rate_hz"] = 100.0
    return [*found, path.read_bytes()]


def _sound(folder: Path, form: str, subtype: str) -> bytes:
    soundfile.write(folder / "seed", 0.2 * np.stack([_TONE, -_TONE], axis=1), 44_100, format=form, subtype=subtype)
    return (folder / "seed").read_bytes()


_TONE = np.sin(np.arange(6_000) / 30)


def _aacs(folder: Path) -> Sequence[bytes]:
    """By ffmpeg, which the tests have anyhow."""
    with wave.open(str(folder / "seed.wav"), "wb") as file:
        file.setparams((1, 2, 44_100, 0, "NONE", ""))
        file.writeframes((8_000 * _TONE).astype("<i2").tobytes())
    found = []
    for name in ("seed.m4a", "seed.aac"):
        words = ["-loglevel", "error", "-y", "-i", str(folder / "seed.wav"), "-c:a", "aac", str(folder / name)]
        subprocess.run(["ffmpeg", *words], check=True)
        found.append((folder / name).read_bytes())
    return found


LIBRARIES = {
    "tcx": Target(_activities, _surveyed("a.tcx"), (b"<Trackpoint>", b"</Trackpoint>", b"<Value>", b"<!ENTITY a 'b'>")),
    "fit": Target(_fits, _surveyed("a.fit"), (b".FIT", b"\x40\x00\x00", b"\x4e\x00", b"\x14\x00")),
    "acq": Target(lambda _: [acq(), acq(compressed=True)], _surveyed("a.acq")),
    "gdf": Target(_gdfs, _surveyed("a.gdf"), (b"GDF 2.20", b"GDF 1.25", b"O1")),
    "brainvision": Target(
        _brainvisions,
        _brainvision,
        (b"DataOrientation=VECTORIZED", b"UseBigEndianOrder=YES", b"INT_32", b"DataPoints=", b"Mk1=", b"==== eeg\n"),
    ),
    "npy": Target(_npys, _surveyed("a.npy", _RATE), (b"'<f8'", b"'|O'", b"'shape'", b"(2, 3)", b"True")),
    "npz": Target(_npzs, _surveyed("a.npz", _RATE), (b"PK\x01\x02", b"PK\x03\x04", b"PK\x05\x06", b"'|O'")),
    "mat": Target(_mats, _surveyed("a.mat", _RATE)),
    "mat-7.3": Target(lambda folder: _hdf5s(folder, matlab=True), _surveyed("a.mat", _RATE), (b"OHDR", b"TREE")),
    "hdf5": Target(lambda folder: _hdf5s(folder, matlab=False), _surveyed("a.h5", _RATE), (b"OHDR", b"TREE", b"SNOD")),
    "mp3": Target(lambda folder: [_sound(folder, "MP3", "MPEG_LAYER_III")], _surveyed("a.mp3"), (b"ID3", b"Xing")),
    "ogg": Target(lambda folder: [_sound(folder, "OGG", "VORBIS")], _surveyed("a.ogg"), (b"OggS", b"\x01vorbis")),
    "m4a": Target(lambda folder: _aacs(folder)[:1], _surveyed("a.m4a"), (b"moov", b"mdat", b"stsz", b"stco", b"mp4a")),
    "aac": Target(lambda folder: _aacs(folder)[1:], _surveyed("a.aac"), (b"\xff\xf1",)),
}
