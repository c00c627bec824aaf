"""The measurement of files beside ffmpeg's ebur128 (libebur128) and pyloudnorm, on material that is not a test tone.

ffmpeg is installed by deploy/test; both are independent of this project. What is made up is so for what a recording of
a body does not hold: energy around 4 kHz, where the filter that BS.1770 prints is least flat, and swells.
"""

import re
import subprocess
from pathlib import Path

import numpy as np
import pyloudnorm
import pytest
import soundfile
from numpy.typing import NDArray
from scipy import signal

from residue.loudness.meters.measure import Measurement, measure
from tests.reference import recordings

Floats = NDArray[np.float64]
RATE_HZ = 48_000


def twitches(rng: np.random.Generator, frames: int) -> Floats:
    """Low, dense, swelling: what muscles sound like."""
    train = (rng.uniform(size=frames) < np.linspace(5, 400, frames) / RATE_HZ).astype(float)
    body = signal.sosfilt(signal.butter(2, [15, 90], "bandpass", fs=RATE_HZ, output="sos"), train)
    return 20 * body * np.linspace(0.02, 1.0, frames)


def bells(rng: np.random.Generator, frames: int) -> Floats:
    time, total = np.arange(frames) / RATE_HZ, np.zeros(frames)
    for start in rng.uniform(0, frames / RATE_HZ, 40):
        after = np.maximum(time - start, 0.0)
        total += (time >= start) * np.exp(-after * 3) * np.sin(2 * np.pi * rng.uniform(200, 4000) * after)
    return 0.05 * total


def breath(rng: np.random.Generator, frames: int) -> Floats:
    noise = signal.sosfilt(signal.butter(2, 6000, fs=RATE_HZ, output="sos"), rng.standard_normal(frames))
    return 0.1 * noise * (1.1 + np.sin(2 * np.pi * 0.07 * np.arange(frames) / RATE_HZ))


def muscle(rng: np.random.Generator, frames: int) -> Floats:
    """The electric sound of a real muscle under one of its electrodes."""
    electrode = recordings.emg_vastus()[f"emg{rng.integers(1, 65)}"]
    return as_loud_as_it_may_be(signal.resample_poly(electrode, 375, 16)[:frames])  # 2,048 Hz to 48 kHz


def heart(rng: np.random.Generator, frames: int) -> Floats:
    """A real heart; what wanders slower than it beats is taken out."""
    ecg = recordings.ecg_systole()["ecg"]
    start = rng.integers(0, len(ecg) - 40_000)
    sound = signal.resample_poly(ecg[start : start + 40_000], 48, 1)[:frames]
    return as_loud_as_it_may_be(signal.sosfilt(signal.butter(2, 5, "highpass", fs=RATE_HZ, output="sos"), sound))


def as_loud_as_it_may_be(sound: Floats) -> Floats:
    loud: Floats = 0.7 * sound / np.max(np.abs(sound))
    return loud


MATERIAL = {"muscle": muscle, "heart": heart, "twitches": twitches, "bells": bells, "breath": breath}


@pytest.fixture(
    scope="module",
    params=[pytest.param(name, marks=() if name in ("muscle", "twitches") else pytest.mark.long) for name in MATERIAL],
)
def material(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Path:
    rng, frames = np.random.default_rng(5), 40 * RATE_HZ
    make = MATERIAL[request.param]
    left, right = make(rng, frames), make(rng, frames)
    stereo = np.stack([one[: min(len(left), len(right))] for one in (left, right)], axis=1)
    path = tmp_path_factory.mktemp("material") / f"{request.param}.wav"
    soundfile.write(path, np.clip(stereo, -0.99, 0.99), RATE_HZ, subtype="PCM_24")
    return path


@pytest.fixture(scope="module")
def found(material: Path) -> Measurement:
    return measure(material)


def test_beside_ffmpeg(material: Path, found: Measurement) -> None:
    command = ["ffmpeg", "-nostats", "-i", str(material), "-af"]
    command += ["ebur128=peak=true:framelog=verbose:metadata=1,ametadata=print:file=-", "-f", "null", "-"]
    told = subprocess.run(command, capture_output=True, text=True, check=True)
    summary = told.stderr[told.stderr.rindex("Summary:") :]

    def value(label: str) -> float:
        match = re.search(rf"^\s+{label}:\s+(-?[\d.]+)", summary, re.MULTILINE)
        assert match is not None, summary
        return float(match[1])

    assert found.integrated_lufs == pytest.approx(value("I"), abs=0.1)
    assert found.loudness_range_lu == pytest.approx(value("LRA"), abs=0.2)
    for channel, peak in enumerate(found.true_peak_dbtp):
        theirs = max(map(float, re.findall(rf"true_peaks_ch{channel}=(\d+\.\d+)", told.stdout)))
        assert peak is not None
        assert -0.1 <= peak - 20 * np.log10(theirs) <= 0.1


def test_beside_pyloudnorm(material: Path, found: Measurement) -> None:
    data, rate_hz = soundfile.read(material)
    # Its default filters are 0.04 dB off the printed coefficients; "DeMan" is the class that agrees with them.
    meter = pyloudnorm.Meter(rate_hz, filter_class="DeMan")
    assert found.integrated_lufs == pytest.approx(meter.integrated_loudness(data), abs=0.05)


def test_levels_beside_scipy(material: Path, found: Measurement) -> None:
    # A and C of this project are checked against IEC 61672-1 elsewhere; here what is made of them.
    data, rate_hz = soundfile.read(material)
    assert found.lzeq_dbfs == pytest.approx(10 * np.log10(np.mean(data**2)), abs=1e-6)
    assert found.sample_peak_dbfs == pytest.approx((20 * np.log10(np.max(np.abs(data), axis=0))).tolist(), abs=1e-6)
    assert found.duration_s == pytest.approx(len(data) / rate_hz)
