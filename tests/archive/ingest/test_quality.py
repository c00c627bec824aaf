"""What is found in a recording: each fault put in on purpose, and found in its measure."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal

from residue.archive.ingest.quality import Quality, examine_beats, examine_samples
from residue.archive.ingest.report import judge, minutes
from residue.archive.performance import ChannelKind
from residue.archive.readers.beats import BeatList
from tests.archive.streams import held_stream
from tests.reference.recordings import ecg_aami_3a, ecg_systole, eeg_eyes_closed

RATE_HZ = 1000
SECONDS = 60


def noise(seed: int = 1) -> np.ndarray:
    return np.random.default_rng(seed).normal(0, 1, RATE_HZ * SECONDS)


def examined(values: np.ndarray, kind: ChannelKind = ChannelKind.EMG, rate_hz: int = RATE_HZ) -> Quality:
    *shares, quality = examine_samples(held_stream(values, rate_hz), kind)
    assert isinstance(quality, Quality)
    assert all(isinstance(share, float) and 0 <= share < 1 for share in shares)
    return quality


def test_a_sound_channel_is_usable() -> None:
    quality = examined(noise())
    assert (quality.missing_share, quality.clipped_share, quality.flat_s) == (0, 0, 0)
    assert judge(quality) == ("usable", [])


def test_what_was_not_recorded_is_counted() -> None:
    values = noise()
    values[6000:12_000] = np.nan
    values[20_000] = np.inf
    quality = examined(values)
    assert quality.missing_share == pytest.approx(6001 / 60_000)
    assert judge(quality) == ("usable with care", ["10% of it was not recorded"])
    assert np.isnan(quality.lows).sum() == np.isnan(quality.highs).sum() > 20


def test_clipping_is_counted_and_a_single_peak_is_not() -> None:
    values = noise()
    clipped = np.clip(values, -1.0, 1.0)
    run = np.abs(clipped) == 1.0
    in_runs = run[:-2] & run[1:-1] & run[2:]
    same = np.sign(clipped[:-2]) == np.sign(clipped[1:-1])
    same &= np.sign(clipped[1:-1]) == np.sign(clipped[2:])
    assert examined(clipped).clipped_share == pytest.approx((in_runs & same).sum() / len(values), rel=0.01)
    assert examined(values).clipped_share == 0


def test_a_channel_that_stands_still_is_flat_and_not_clipped() -> None:
    values = noise()
    values[10_000:40_000] = 0.25
    quality = examined(values)
    assert quality.flat_s == pytest.approx(30, abs=0.6)
    assert quality.clipped_share == 0
    assert judge(quality)[0] == "usable with care"
    assert judge(examined(np.full(60_000, 3.0))) == ("not usable", ["its value never changes"])


def on_steps(values: np.ndarray, step: float) -> np.ndarray:
    """As a coarse converter gives it."""
    return np.round(values / step) * step


def test_what_moves_slowly_on_a_coarse_converter_is_neither_flat_nor_clipped() -> None:
    """A skin that warms by 0.3 degrees in 10 min, in steps of 0.02; a conductance of 10 bit; a belt that rests."""
    rate_hz, t = 64, np.arange(64 * 600) / 64
    warm = on_steps(33.0 + 0.0005 * t, 0.02)
    skin = on_steps(5.0 + 0.5 * np.sin(2 * np.pi * t / 300.0), 25.0 / 1024)
    belt = on_steps(np.maximum(np.sin(2 * np.pi * t / 9.0), -0.7), 0.01)
    for values, kind in ((warm, ChannelKind.TEMP), (skin, ChannelKind.EDA)):
        quality = examined(values, kind, rate_hz)
        assert (quality.clipped_share, quality.flat_s) == (0, 0)
        assert judge(quality) == ("usable", [])
    assert examined(belt, ChannelKind.RESP, rate_hz).flat_s == 0
    assert judge(examined(warm, ChannelKind.EMG, rate_hz))[0] == "not usable"


def test_what_moves_slowly_is_flat_or_clipped_where_it_stands_for_long() -> None:
    rate_hz, t = 64, np.arange(64 * 600) / 64
    skin = 5.0 + 4.0 * np.sin(2 * np.pi * t / 300.0) + np.random.default_rng(1).normal(0.0, 0.01, len(t))
    clipped = examined(np.minimum(skin, 7.0), ChannelKind.EDA, rate_hz)
    # Above 7 for two thirds of half a turn, twice: 2 (300 s / 2 - 2 asin(0.5) 300 s / 2 pi) = 200 s of 600 s.
    assert clipped.clipped_share == pytest.approx(1 / 3, abs=0.01)
    came_off = np.where(t < 400.0, skin, 0.0)
    assert examined(came_off, ChannelKind.EDA, rate_hz).flat_s == pytest.approx(200.0, abs=0.6)
    shallow = np.minimum(np.sin(2 * np.pi * t / 4.0), 0.8)
    assert examined(shallow, ChannelKind.RESP, rate_hz).clipped_share > 0.15


@pytest.mark.parametrize("mains_hz", [50.0, 60.0])
@pytest.mark.parametrize("hum_db", [15.0, 30.0])
def test_hum_is_told_by_how_far_it_stands_out(mains_hz: float, hum_db: float) -> None:
    """A line of amplitude a in white noise of variance 1: its power in one bin of a Hann window, by closed form.

    Density of the noise 2 / rate; of the line a**2 / 2 over the noise bandwidth of the window, 1.5 bins of 0.1 Hz,
    spread over the 7 bins that are averaged.
    """
    line_share = 7 * 0.1  # Hz
    amplitude = np.sqrt(2 * (10 ** (hum_db / 10) - 1) * 2 / RATE_HZ * line_share)
    time_s = np.arange(RATE_HZ * SECONDS) / RATE_HZ
    quality = examined(noise() + amplitude * np.sin(2 * np.pi * mains_hz * time_s))
    assert quality.hum_hz == mains_hz
    assert quality.hum_db == pytest.approx(hum_db, abs=1.5)


def test_noise_alone_has_no_hum_and_a_slow_channel_cannot_tell() -> None:
    assert examined(noise()).hum_db < 3
    assert examined(noise(), rate_hz=100).hum_hz is None


def test_the_hum_of_a_real_recording_is_where_welch_finds_it() -> None:
    samples = eeg_eyes_closed()["O1"]
    frequencies, density = signal.welch(samples, RATE_HZ, nperseg=10 * RATE_HZ)
    near = (frequencies > 44) & (frequencies < 66)
    quality = examined(samples, ChannelKind.EEG)
    assert quality.hum_hz == frequencies[near][density[near].argmax()] == 50.0
    assert quality.hum_db > 20
    assert judge(quality)[0] == "usable with care"


def test_the_beats_of_a_real_heart_are_plausible_and_those_of_noise_are_not() -> None:
    heart = examined(ecg_systole()["ecg"][:120_000], ChannelKind.ECG)
    assert heart.plausible_beats is not None
    assert heart.plausible_beats > 0.95
    nothing = examined(noise(), ChannelKind.ECG)
    assert nothing.plausible_beats is not None
    assert nothing.plausible_beats < 0.9
    assert judge(nothing)[0] != "usable"


def test_an_irregular_heart_is_no_bad_recording() -> None:
    """AAMI EC13 waveform 3a: bigeminy, clean."""
    ecg = ecg_aami_3a()
    quality = examined(ecg["ecg"], ChannelKind.ECG, ecg.rate_hz)
    assert quality.plausible_beats is not None
    assert quality.plausible_beats > 0.95
    assert judge(quality)[0] == "usable"


def test_a_list_of_beats_is_judged_by_its_intervals() -> None:
    intervals = np.array([0.0, 0.8, 0.82, 0.79, 5.0, 0.8, 0.81, 0.8, 0.8])
    quality = examine_beats(BeatList(np.cumsum(intervals), intervals))
    assert quality.plausible_beats == pytest.approx(7 / 8)
    assert judge(quality)[0] == "usable with care"


def test_the_extremes_are_those_of_each_moment() -> None:
    values = np.sin(2 * np.pi * 10 * np.arange(2 * 65_536 + 77) / RATE_HZ)
    values[100_000] = 5.0
    quality = examined(values)
    assert quality.highs.max() == 5.0
    assert int(quality.highs.argmax() * quality.cell_s * RATE_HZ) <= 100_000
    assert len(quality.lows) * quality.cell_s == pytest.approx(len(values) / RATE_HZ, abs=quality.cell_s)


@pytest.mark.parametrize(
    ("seconds", "words"),
    [(0.0, "0 min 00.0 s"), (61.25, "1 min 01.2 s"), (59.96, "1 min 00.0 s"), (-3.5, "-0 min 03.5 s")],
)
def test_times_are_told_in_minutes(seconds: float, words: str) -> None:
    assert minutes(seconds) == words
