"""Real recordings become bags and are read back; each reader beside an independent one."""

from __future__ import annotations

import subprocess
import warnings
from fractions import Fraction
from pathlib import Path
from typing import Any

import edfio
import mne
import numpy as np
import pyedflib
import pytest
import soundfile
from numpy.typing import NDArray
from scipy import signal

from residue.archive.bag import Bag, open_bag, seal
from residue.archive.fixity import verify
from residue.archive.performance import FILE_NAME, Channel, ChannelKind, write_performance
from residue.archive.readers.catalogue import open_channel
from residue.archive.readers.edf_annotations import notes
from residue.archive.readers.edf_layout import ANNOTATIONS, read_layout
from tests.archive.bags import SEALED_ON, performance
from tests.reference.recordings import (
    Recording,
    ecg_aami_3a,
    ecg_systole,
    edf_files,
    eeg_eyes_closed,
    eeg_eyes_open,
    emg_vastus,
)

Floats = NDArray[np.float64]


def read_back(bag: Bag, name: str) -> Floats:
    stream = open_channel(bag.file_of(name), bag.performance.channel[name])
    return stream.read(0, stream.length)


def bag_of(folder: Path, channels: dict[str, Channel]) -> Bag:
    (folder / FILE_NAME).write_text(write_performance(performance(channels)), encoding="utf-8")
    return seal(folder, folder.with_name("bag"), {}, SEALED_ON)


SOUND_FORMATS = [
    pytest.param(".flac", "PCM_24", 2.0**-23, id="flac-24"),
    pytest.param(".wav", "PCM_16", 2.0**-15, id="wav-16"),
    pytest.param(".wav", "FLOAT", 2.0**-24, id="wav-float"),
]
RECORDINGS = [
    pytest.param(ecg_systole, ("ecg",), ChannelKind.ECG, id="ecg-rest"),
    pytest.param(ecg_aami_3a, ("ecg",), ChannelKind.ECG, id="ecg-aami-3a"),
    pytest.param(emg_vastus, ("emg1", "emg32"), ChannelKind.EMG, id="emg-vastus"),
    pytest.param(eeg_eyes_closed, ("O1", "O2"), ChannelKind.EEG, id="eeg-closed"),
    pytest.param(eeg_eyes_open, ("O1",), ChannelKind.EEG, id="eeg-open"),
]


@pytest.mark.parametrize(("suffix", "subtype", "resolution"), SOUND_FORMATS)
@pytest.mark.parametrize(("recording", "names", "kind"), RECORDINGS)
def test_a_recording_kept_as_sound_comes_back_within_the_resolution_of_the_format(
    tmp_path: Path,
    recording: object,
    names: tuple[str, ...],
    kind: ChannelKind,
    suffix: str,
    subtype: str,
    resolution: float,
) -> None:
    assert callable(recording)
    real: Recording = recording()
    folder = tmp_path / "recorded"
    folder.mkdir()
    values = np.stack([real[name] for name in names])
    full_scale = float(np.abs(values).max()) / (1 - resolution)
    soundfile.write(folder / f"a{suffix}", values.T / full_scale, real.rate_hz, subtype=subtype)
    channels = {
        name: Channel(kind=kind, file=f"a{suffix}", track=track, unit=real.unit, full_scale=full_scale)
        for track, name in enumerate(names, 1)
    }
    bag = bag_of(folder, channels)
    assert verify(bag.path) == []
    for name in names:
        # Half a step of the format, and as much again for what libsndfile's own rounding does at the edges.
        assert np.abs(read_back(bag, name) - real[name]).max() <= full_scale * resolution


@pytest.mark.parametrize(("suffix", "bits"), [(".edf", 16), (".bdf", 24)])
@pytest.mark.parametrize(("recording", "names", "kind"), RECORDINGS)
def test_a_recording_kept_as_edf_comes_back_within_the_resolution_of_the_format(
    tmp_path: Path, recording: object, names: tuple[str, ...], kind: ChannelKind, suffix: str, bits: int
) -> None:
    assert callable(recording)
    real: Recording = recording()
    whole = real.values.shape[1] // real.rate_hz * real.rate_hz  # EDF holds whole data records
    folder = tmp_path / "recorded"
    folder.mkdir()
    write_edf = {".edf": (edfio.Edf, edfio.EdfSignal), ".bdf": (edfio.Bdf, edfio.BdfSignal)}
    file, one_signal = write_edf[suffix]
    signals = [one_signal(real[name][:whole], real.rate_hz, label=name, physical_dimension=real.unit) for name in names]
    file(signals, data_record_duration=1).write(folder / f"a{suffix}")
    bag = bag_of(folder, {name: Channel(kind=kind, file=f"a{suffix}", signal=name, unit=real.unit) for name in names})
    for name in names:
        found = read_back(bag, name)
        step = (real[name].max() - real[name].min()) / (2**bits - 1)
        # edfio rounds the physical range to the eight characters of its field, which moves its ends by 1e-6.
        slack = 1e-6 * np.abs(real[name]).max()
        assert np.abs(found - real[name][:whole]).max() <= step + slack


def signals_of(path: Path) -> list[str]:
    return [label for label in read_layout(path).labels if label not in ANNOTATIONS]


@pytest.mark.parametrize("number", range(7))
def test_edf_and_bdf_files_of_others_read_as_pyedflib_reads_them(number: int) -> None:
    path = edf_files()[number]
    with pyedflib.EdfReader(str(path)) as peer:
        for track in range(1, len(signals_of(path)) + 1):
            stream = open_channel(path, Channel(kind=ChannelKind.EEG, file=path.name, track=track))
            theirs = peer.readSignal(track - 1)
            assert float(stream.rate_hz) == pytest.approx(peer.getSampleFrequency(track - 1), rel=1e-12)
            assert stream.length == len(theirs)
            step = abs(peer.getPhysicalMaximum(track - 1) - peer.getPhysicalMinimum(track - 1))
            assert np.abs(stream.read(0, stream.length) - theirs).max() <= 1e-9 * step


def read_by_mne(path: Path) -> Any:
    read = mne.io.read_raw_bdf if path.suffix == ".bdf" else mne.io.read_raw_edf
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)  # filter settings in these headers that mne calls odd
        return read(path, stim_channel=False, preload=True, verbose="ERROR")


@pytest.mark.parametrize("number", range(7))
def test_edf_and_bdf_files_of_others_read_as_mne_reads_them(number: int) -> None:
    """mne counts in volts and gives every signal the highest rate in the file; those it need not resample compare."""
    path = edf_files()[number]
    peer = read_by_mne(path)
    compared = 0
    for track, label in enumerate(signals_of(path), 1):
        stream = open_channel(path, Channel(kind=ChannelKind.EEG, file=path.name, track=track))
        if float(stream.rate_hz) != peer.info["sfreq"]:
            continue
        theirs = peer.get_data()[track - 1]
        volts = 1e-6 if peer._orig_units.get(label) in ("µV", "uV") else 1.0
        ours = stream.read(0, stream.length) * volts
        assert len(ours) == len(theirs)
        assert np.abs(ours - theirs).max() <= 1e-9 * max(float(np.ptp(ours)), volts)
        compared += 1
    assert compared > 0


@pytest.mark.parametrize("number", range(7))
def test_what_was_noted_in_files_of_others_is_what_mne_finds(number: int) -> None:
    path = edf_files()[number]
    peer = read_by_mne(path)
    ours = sorted((float(at_s), text) for at_s, text in notes(path, read_layout(path)))
    theirs = sorted(zip(peer.annotations.onset, map(str, peer.annotations.description), strict=True))
    assert [text for _, text in ours] == [text for _, text in theirs]
    assert [at_s for at_s, _ in ours] == pytest.approx([at_s for at_s, _ in theirs], abs=1e-6)


@pytest.mark.parametrize(("suffix", "kind"), [(".edf", pyedflib.FILETYPE_EDFPLUS), (".bdf", pyedflib.FILETYPE_BDFPLUS)])
def test_what_pyedflib_noted_is_found(tmp_path: Path, suffix: str, kind: int) -> None:
    path = tmp_path / f"a{suffix}"
    with pyedflib.EdfWriter(str(path), 1, file_type=kind) as peer:
        peer.setSignalHeader(0, pyedflib.highlevel.make_signal_header("O1", sample_frequency=100))
        peer.writeSamples([np.zeros(1000)])
        peer.writeAnnotation(1.5, -1, "takes the dough")
        peer.writeAnnotation(7.25, 0.5, "Öfen öffnen")
    assert list(notes(path, read_layout(path))) == [
        (Fraction(3, 2), "takes the dough"),
        (Fraction(29, 4), "Öfen öffnen"),
    ]


def test_there_are_seven_such_files() -> None:
    assert len(edf_files()) == 7


# EDF specification's own example range, and BioSemi's; results computed by hand and by two libraries.
@pytest.mark.parametrize(
    ("suffix", "digital", "physical_range", "digital_range", "expected"),
    [
        (".edf", -2048, (-500, 500), (-2048, 2047), -500.0),
        (".edf", 0, (-500, 500), (-2048, 2047), 0.1221001),
        (".edf", 409, (-500, 500), (-2048, 2047), 100.0),
        (".edf", 1000, (-500, 500), (-2048, 2047), 244.3223),
        (".edf", 2047, (-500, 500), (-2048, 2047), 500.0),
        (".edf", 100, (500, -500), (-2048, 2047), -24.5421),
        (".edf", 1234, (-3276.8, 3276.7), (-32768, 32767), 123.4),
        (".bdf", 32_000, (-262_144, 262_143), (-8_388_608, 8_388_607), 999.5138),
        (".bdf", 8_388_607, (-262_144, 262_143), (-8_388_608, 8_388_607), 262_143.0),
    ],
)
def test_a_digital_value_is_the_physical_one_of_the_specification(
    tmp_path: Path,
    suffix: str,
    digital: int,
    physical_range: tuple[float, float],
    digital_range: tuple[int, int],
    expected: float,
) -> None:
    samples = np.full(100, digital)
    path = tmp_path / f"a{suffix}"
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        if suffix == ".edf":
            one = edfio.EdfSignal.from_digital(
                samples.astype(np.int16), 100, physical_range=physical_range, digital_range=digital_range
            )
            edfio.Edf([one]).write(path)
        else:
            other = edfio.BdfSignal.from_digital(
                samples.astype(np.int32), 100, physical_range=physical_range, digital_range=digital_range
            )
            edfio.Bdf([other]).write(path)
    stream = open_channel(path, Channel(kind=ChannelKind.EEG, file=path.name))
    assert stream.read(0, 100) == pytest.approx(expected, abs=5e-5)


def test_the_alpha_rhythm_survives_the_archive(tmp_path: Path) -> None:
    """Power of 8 to 12 Hz at O1: closed 31.7, open 7.0 uV^2, peak 9.75 Hz (recorded with other tools beforehand)."""
    powers = {}
    for name, real in (("closed", eeg_eyes_closed()), ("open", eeg_eyes_open())):
        folder = tmp_path / name / "recorded"
        folder.mkdir(parents=True)
        full_scale = 2.0 ** np.ceil(np.log2(np.abs(real["O1"]).max()))
        soundfile.write(folder / "a.flac", real["O1"] / full_scale, real.rate_hz, subtype="PCM_24")
        channel = Channel(kind=ChannelKind.EEG, file="a.flac", unit="uV", full_scale=float(full_scale))
        samples = read_back(bag_of(folder, {"o1": channel}), "o1")
        frequencies, density = welch(samples, real.rate_hz)
        alpha = (frequencies >= 8) & (frequencies <= 12)
        powers[name] = float(density[alpha].sum() * (frequencies[1] - frequencies[0]))
        if name == "closed":
            assert frequencies[alpha][density[alpha].argmax()] == pytest.approx(9.75, abs=0.25)
    assert powers["closed"] == pytest.approx(31.7, rel=0.1)
    assert powers["open"] == pytest.approx(7.0, rel=0.1)


def welch(samples: Floats, rate_hz: int) -> tuple[Floats, Floats]:
    frequencies, density = signal.welch(samples, rate_hz, nperseg=4 * rate_hz)
    return np.asarray(frequencies), np.asarray(density)


def test_open_bag_reads_what_was_sealed_of_a_real_recording(tmp_path: Path) -> None:
    folder = tmp_path / "recorded"
    folder.mkdir()
    real = ecg_aami_3a()
    soundfile.write(folder / "ecg.wav", real["ecg"], real.rate_hz, subtype="FLOAT")
    bag = bag_of(folder, {"chest": Channel(kind=ChannelKind.ECG, file="ecg.wav", site="chest", unit="mV")})
    assert open_bag(bag.path) == bag


@pytest.mark.parametrize(
    ("name", "subtype"),
    [("a.wav", "PCM_16"), ("a.wav", "PCM_24"), ("a.flac", "PCM_24"), ("a.aiff", "PCM_24"), ("a.wav", "FLOAT")],
)
def test_sound_files_read_as_ffmpeg_reads_them(tmp_path: Path, name: str, subtype: str) -> None:
    """Decoded by ffmpeg to 64-bit floating point; equal to the last bit of the format."""
    real = emg_vastus()
    path = tmp_path / name
    soundfile.write(path, real["emg1"] / np.abs(real["emg1"]).max() * 0.9, real.rate_hz, subtype=subtype)
    command = ["ffmpeg", "-v", "error", "-i", str(path), "-f", "f64le", "-"]
    theirs = np.frombuffer(subprocess.run(command, check=True, capture_output=True).stdout)
    stream = open_channel(path, Channel(kind=ChannelKind.EMG, file=name))
    assert np.array_equal(stream.read(0, stream.length), theirs)
