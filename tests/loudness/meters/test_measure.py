"""Files as they come: short, empty, broken, of any rate."""

import json
import os
from math import exp, log10, pi
from pathlib import Path

import msgspec
import numpy as np
import pytest
import soundfile

from residue.loudness.meters.measure import GrainMeter, level_over_time, measure, measurement_of
from residue.loudness.meters.weightings import Weighting
from residue.problems import ProblemError


def sine(rate_hz: int, seconds: float, frequency_hz: float = 1000.0, amplitude: float = 1.0) -> np.ndarray:
    return amplitude * np.sin(2 * pi * frequency_hz * np.arange(round(rate_hz * seconds)) / rate_hz)


@pytest.mark.parametrize("rate_hz", [11_025, 22_050, 44_100, 48_000, 96_000])
@pytest.mark.parametrize("channels", [1, 2])
def test_a_full_scale_sine_reads_minus_3_01(tmp_path: Path, rate_hz: int, channels: int) -> None:
    # The levels agreed for `residue measure`: 0 dB of A and C at 1 kHz (IEC 61672-1).
    path = tmp_path / "sine.wav"
    soundfile.write(path, np.stack([sine(rate_hz, 3.03)] * channels, axis=1), rate_hz, subtype="FLOAT")
    found = measure(path)
    for level in (found.laeq_dbfs, found.lceq_dbfs, found.lzeq_dbfs):
        assert level == pytest.approx(-3.01, abs=0.03)
    # IEC 61672-1:2013, Table 4 and its formula: 10 log(1 - exp(-T / tau)) after 3.03 s.
    assert found.laf_max_dbfs == pytest.approx(-3.01, abs=0.03)
    assert found.las_max_dbfs == pytest.approx(-3.01 + 10 * log10(1 - exp(-3.03)), abs=0.03)
    assert found.lc_peak_dbfs == pytest.approx(0.0, abs=0.5)  # the filter rings as the sine starts
    assert found.sample_peak_dbfs == [pytest.approx(0.0, abs=0.02)] * channels
    assert (found.sample_rate_hz, found.channels) == (rate_hz, channels)
    assert found.duration_s == pytest.approx(3.03, abs=0.001)


def test_the_keys_are_those_agreed(tmp_path: Path) -> None:
    soundfile.write(tmp_path / "x.wav", np.zeros(100), 48_000)
    assert list(msgspec.to_builtins(measure(tmp_path / "x.wav"))) == [
        "duration_s", "sample_rate_hz", "channels", "integrated_lufs", "momentary_max_lufs", "short_term_max_lufs",
        "loudness_range_lu", "true_peak_dbtp", "sample_peak_dbfs", "laeq_dbfs", "lceq_dbfs", "lzeq_dbfs",
        "lgeq_dbfs", "laf_max_dbfs", "las_max_dbfs", "lc_peak_dbfs",
    ]  # fmt: skip


@pytest.mark.parametrize("frames", [0, 1, 100, 48_000])
def test_silence_of_any_length_has_no_values(tmp_path: Path, frames: int) -> None:
    path = tmp_path / "silence.wav"
    soundfile.write(path, np.zeros((frames, 2)), 48_000)
    found = measure(path)
    assert found.integrated_lufs is None
    assert found.short_term_max_lufs is None
    levels = (found.laeq_dbfs, found.lceq_dbfs, found.lzeq_dbfs, found.lgeq_dbfs, found.laf_max_dbfs)
    assert levels == (None,) * 5
    assert found.true_peak_dbtp == [None, None]
    assert "NaN" not in json.dumps(msgspec.to_builtins(found))
    assert found.duration_s == pytest.approx(frames / 48_000)


def test_too_short_for_a_window_is_no_value_not_a_wrong_one(tmp_path: Path) -> None:
    soundfile.write(tmp_path / "short.wav", sine(48_000, 0.3), 48_000)
    found = measure(tmp_path / "short.wav")
    assert found.momentary_max_lufs is None
    assert found.integrated_lufs is None
    assert found.laeq_dbfs == pytest.approx(-3.01, abs=0.05)


def test_values_that_are_no_numbers_are_told_with_their_place(tmp_path: Path) -> None:
    sound = sine(48_000, 3.0)
    sound[120_000] = np.nan
    soundfile.write(tmp_path / "spoilt.wav", sound, 48_000, subtype="FLOAT")
    with pytest.raises(ProblemError, match=r"From 2\.500 s on it contains values that are not numbers"):
        measure(tmp_path / "spoilt.wav")


def test_a_rate_at_which_the_weightings_are_no_filters_is_refused(tmp_path: Path) -> None:
    soundfile.write(tmp_path / "arm.wav", sine(2_000, 1.0, 50.0), 2_000)
    with pytest.raises(ProblemError, match="rate of 2000 Hz is too low"):
        measure(tmp_path / "arm.wav")


def test_a_name_in_any_encoding_is_opened(tmp_path: Path) -> None:
    path = tmp_path / os.fsdecode(b"arm\xe4.wav")
    soundfile.write(tmp_path / "arm.wav", sine(48_000, 0.5), 48_000)
    (tmp_path / "arm.wav").rename(path)
    assert measure(path).duration_s == 0.5


@pytest.mark.parametrize("content", [None, b"", b"no sound at all", b"RIFF\x00\x00\x00\x00WAVEfmt "])
def test_a_file_that_is_no_sound_is_named(tmp_path: Path, content: bytes | None) -> None:
    path = tmp_path / "broken.wav"
    if content is not None:
        path.write_bytes(content)
    with pytest.raises(ProblemError) as raised:
        measure(path)
    (finding,) = raised.value.findings
    assert finding.where == str(path)
    assert finding.mend


def test_why_a_file_cannot_be_opened_is_told(tmp_path: Path) -> None:
    with pytest.raises(ProblemError, match="It cannot be read: No such file or directory"):
        measure(tmp_path / "missing.wav")


def test_levels_over_time_follow_the_sound(tmp_path: Path) -> None:
    parts = [sine(44_100, 2.0, amplitude=0.1), np.zeros(44_100), sine(44_100, 2.0, amplitude=0.5)]
    soundfile.write(tmp_path / "parts.wav", np.concatenate(parts), 44_100, subtype="DOUBLE")
    levels = level_over_time(tmp_path / "parts.wav", 1.0)[Weighting.Z]
    assert levels[[0, 1, 3, 4]] == pytest.approx([-23.01, -23.01, -9.03, -9.03], abs=0.01)
    assert levels[2] == -np.inf


def test_progress_is_told(tmp_path: Path) -> None:
    soundfile.write(tmp_path / "x.wav", np.zeros(150_000), 48_000)
    told: list[tuple[int, int]] = []
    measure(tmp_path / "x.wav", lambda _, done, total: told.append((done, total)))
    assert told[-1] == (150_000, 150_000)


def test_what_lies_below_hearing_shows_under_g(tmp_path: Path) -> None:
    # ISO 7196:1995, Table 2: 0 dB at 10 Hz, +9.0 dB at 20 Hz.
    for frequency_hz, gain_db in ((10.0, 0.0), (20.0, 9.0)):
        soundfile.write(tmp_path / "low.wav", sine(48_000, 20.0, frequency_hz, 0.1), 48_000, subtype="FLOAT")
        assert measure(tmp_path / "low.wav").lgeq_dbfs == pytest.approx(-23.01 + gain_db, abs=0.3)


@pytest.mark.parametrize("block_frames", [480, 28_800])
def test_sound_that_comes_in_other_blocks_measures_the_same(tmp_path: Path, block_frames: int) -> None:
    """The file is read in blocks of two seconds."""
    sound = np.random.default_rng(5).normal(0.0, 0.1, (2, 200_000)).astype(np.float32)
    soundfile.write(tmp_path / "noise.wav", sound.T, 48_000, subtype="FLOAT")
    meter = GrainMeter(48_000, 2)
    for at in range(0, sound.shape[1], block_frames):
        meter(sound[:, at : at + block_frames].astype(np.float64))
    assert measurement_of(meter.grains()) == measure(tmp_path / "noise.wav")
