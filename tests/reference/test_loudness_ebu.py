"""The measurement of files against EBU Tech 3341 and 3342 (November 2023), every case that can be synthesised.

Cases 7 and 8 of Tech 3341 and 5 and 6 of Tech 3342 are recordings that may not be passed on.
"""

from collections.abc import Sequence
from math import pi
from pathlib import Path

import numpy as np
import pytest
import soundfile
from numpy.typing import NDArray

from residue.loudness.meters.measure import Measurement, measure

Floats = NDArray[np.float64]
RATE_HZ = 48_000


def tone(parts: Sequence[tuple[float, float]], rate_hz: int = RATE_HZ) -> Floats:
    """1 kHz, continuous in phase: (seconds, peak dBFS) one after the other; (frames,)."""
    levels = np.concatenate([np.full(round(s * rate_hz), 10 ** (db / 20) if db > -200 else 0.0) for s, db in parts])
    return levels * np.sin(2 * pi * 1000 * np.arange(len(levels)) / rate_hz)


def measured(tmp_path: Path, channels: Sequence[Floats], rate_hz: int = RATE_HZ) -> Measurement:
    path = tmp_path / "signal.wav"
    soundfile.write(path, np.stack(channels, axis=1), rate_hz, subtype="DOUBLE")
    return measure(path)


SILENT = -999.0

# Case: (signal, expected I, our own reading of an independent implementation for regression).
INTEGRATED_CASES = {
    "1": ([(20, -23.0)], -23.0, -22.993),
    "2": ([(20, -33.0)], -33.0, -32.993),
    "3": ([(10, -36.0), (60, -23.0), (10, -36.0)], -23.0, -23.014),
    "4": ([(10, -72.0), (10, -36.0), (60, -23.0), (10, -36.0), (10, -72.0)], -23.0, -23.014),
    "5": ([(20, -26.0), (20.1, -20.0), (20, -26.0)], -23.0, -22.979),
}


@pytest.mark.parametrize(
    ("parts", "expected", "regression"), INTEGRATED_CASES.values(), ids=[f"case {c}" for c in INTEGRATED_CASES]
)
def test_integrated_loudness(
    tmp_path: Path, parts: list[tuple[float, float]], expected: float, regression: float
) -> None:
    found = measured(tmp_path, [tone(parts)] * 2).integrated_lufs
    assert found == pytest.approx(expected, abs=0.1)  # Tech 3341, Table 1
    assert found == pytest.approx(regression, abs=0.005)


@pytest.mark.parametrize("rate_hz", [22_050, 44_100, 96_000])
def test_integrated_loudness_at_other_rates(tmp_path: Path, rate_hz: int) -> None:
    signal = tone([(2, -36.0), (30, -23.0), (2, -36.0)], rate_hz)  # case 3, shorter
    found = measured(tmp_path, [signal] * 2, rate_hz).integrated_lufs
    assert found == pytest.approx(-23.0, abs=0.1)


def test_momentary_and_short_term_of_a_steady_tone(tmp_path: Path) -> None:
    found = measured(tmp_path, [tone([(20, -23.0)])] * 2)  # case 1
    assert found.momentary_max_lufs == pytest.approx(-23.0, abs=0.1)
    assert found.short_term_max_lufs == pytest.approx(-23.0, abs=0.1)


def test_surround_channels_weigh_more(tmp_path: Path) -> None:
    levels = [-28.0, -28.0, -24.0, -30.0, -30.0]  # case 6: L R C Ls Rs
    found = measured(tmp_path, [tone([(20, level)]) for level in levels])
    assert found.integrated_lufs == pytest.approx(-23.0, abs=0.1)


def test_the_low_frequency_channel_is_not_counted(tmp_path: Path) -> None:
    levels = [-28.0, -28.0, -24.0, 0.0, -30.0, -30.0]  # case 6 with a full-scale LFE: BS.1770-5, Table 3
    found = measured(tmp_path, [tone([(20, level)]) for level in levels])
    assert found.integrated_lufs == pytest.approx(-23.0, abs=0.1)


def test_short_term_is_constant_over_a_pattern_of_its_own_length(tmp_path: Path) -> None:
    found = measured(tmp_path, [tone([(1.34, -20.0), (1.66, -30.0)] * 5)] * 2)  # case 9
    assert found.short_term_max_lufs == pytest.approx(-23.0, abs=0.1)


def test_momentary_is_constant_over_a_pattern_of_its_own_length(tmp_path: Path) -> None:
    found = measured(tmp_path, [tone([(0.18, -20.0), (0.22, -30.0)] * 25)] * 2)  # case 12
    assert found.momentary_max_lufs == pytest.approx(-23.0, abs=0.1)


@pytest.mark.parametrize("i", range(20))
def test_short_term_maximum_wherever_the_burst_lies(tmp_path: Path, i: int) -> None:
    found = measured(tmp_path, [tone([(i * 0.15, SILENT), (3, -23.0), (1, SILENT)])] * 2)  # case 10
    assert found.short_term_max_lufs == pytest.approx(-23.0, abs=0.1)


@pytest.mark.parametrize("i", range(20))
def test_momentary_maximum_wherever_the_burst_lies(tmp_path: Path, i: int) -> None:
    found = measured(tmp_path, [tone([(i * 0.02, SILENT), (0.4, -23.0), (1, SILENT)])] * 2)  # case 13
    assert found.momentary_max_lufs == pytest.approx(-23.0, abs=0.1)


# Not of the EBU: signals that tell a gate at -8 LU from one at -10, and no absolute gate from one at -70 LUFS, which
# its cases do not. Expected values computed from BS.1770-5, eqs. 5 to 7, by an implementation apart from this one.
@pytest.mark.parametrize(
    ("parts", "expected"),
    [
        pytest.param([(20, -23.0), (20, -34.6)], -25.71, id="a quiet half within 10 LU of the ungated mean counts"),
        pytest.param([(60, -72.0), (5, -60.0)], -60.12, id="what lies below -70 LUFS does not count"),
    ],
)
def test_gates_stand_where_bs_1770_has_them(tmp_path: Path, parts: list[tuple[float, float]], expected: float) -> None:
    assert measured(tmp_path, [tone(parts)] * 2).integrated_lufs == pytest.approx(expected, abs=0.02)


def test_below_the_absolute_gate_there_is_no_value(tmp_path: Path) -> None:
    found = measured(tmp_path, [tone([(20, -72.0)])] * 2)
    assert found.integrated_lufs is None
    assert found.loudness_range_lu is None
    assert found.momentary_max_lufs == pytest.approx(-72.0, abs=0.1)


@pytest.mark.parametrize("rate_hz", [44_100, 48_000, 96_000])
def test_the_anchor_a_full_scale_sine_in_one_channel_reads_minus_3_01(tmp_path: Path, rate_hz: int) -> None:
    # ITU-R BS.1770-5, Annex 1: 0 dBFS at 997 Hz in one of L, C, R.
    sine = np.sin(2 * pi * 997 * np.arange(20 * rate_hz) / rate_hz)
    found = measured(tmp_path, [sine, np.zeros_like(sine)], rate_hz)
    assert found.integrated_lufs == pytest.approx(-3.01, abs=0.01)


# EBU Tech 3342 (November 2023), Table 1: 20 s at each level, stereo, LRA +-1 LU.
@pytest.mark.parametrize(
    ("levels", "expected"),
    [
        pytest.param([-20.0, -30.0], 10.0, id="case 1"),
        pytest.param([-20.0, -15.0], 5.0, id="case 2"),
        pytest.param([-40.0, -20.0], 20.0, id="case 3"),
        pytest.param([-50.0, -35.0, -20.0, -35.0, -50.0], 15.0, id="case 4"),
    ],
)
def test_loudness_range(tmp_path: Path, levels: list[float], expected: float) -> None:
    found = measured(tmp_path, [tone([(20, level) for level in levels])] * 2).loudness_range_lu
    assert found == pytest.approx(expected, abs=1.0)
    assert found == pytest.approx(expected, abs=0.1)  # regression


# Tech 3341, Table 1, cases 15 to 19: sines with 10 ms fades; max true peak +0.2 / -0.4 dB.
@pytest.mark.parametrize(
    ("divisor", "amplitude", "phase_degrees", "expected"),
    [
        pytest.param(4, 0.50, 0.0, -6.0, id="case 15"),
        pytest.param(4, 0.50, 45.0, -6.0, id="case 16"),
        pytest.param(6, 0.50, 60.0, -6.0, id="case 17"),
        pytest.param(8, 0.50, 67.5, -6.0, id="case 18"),
        pytest.param(4, 1.41, 45.0, 3.0, id="case 19"),
    ],
)
def test_true_peak_of_a_sine(
    tmp_path: Path, divisor: int, amplitude: float, phase_degrees: float, expected: float
) -> None:
    n = np.arange(RATE_HZ)
    fade = np.clip(np.minimum(n, n[::-1]) / (0.01 * RATE_HZ), 0.0, 1.0)
    sine = amplitude * fade * np.sin(2 * pi * n / divisor + phase_degrees / 180 * pi)
    for found in measured(tmp_path, [sine, sine]).true_peak_dbtp:
        assert found is not None
        assert -0.4 <= found - expected <= 0.2


# Cases 20 to 23: a sine of fs/6 at 0.50 that holds one period of fs/4 at 1.00, made at 4 fs, brought down with an
# offset of 0 to 3 samples; 0.0 dBTP, +0.2 / -0.4 dB.
@pytest.mark.parametrize("offset", range(4), ids=[f"case {20 + offset}" for offset in range(4)])
def test_true_peak_between_the_samples(tmp_path: Path, offset: int) -> None:
    from scipy import signal

    steps = np.full(4 * RATE_HZ // 10, 1 / 24)
    amplitudes = np.full(len(steps), 0.5)
    middle = 24 * (len(steps) // 48)  # a whole number of periods of fs/6 before
    steps[middle : middle + 16], amplitudes[middle : middle + 16] = 1 / 16, 1.0
    phase = np.concatenate(([0.0], np.cumsum(steps)[:-1]))
    oversampled = amplitudes * np.sin(2 * pi * phase)
    lowpass = signal.firwin(255, 0.5 * RATE_HZ, fs=4 * RATE_HZ)
    band_limited = np.convolve(oversampled, lowpass, mode="same")
    fade = np.clip(np.minimum(np.arange(len(steps)), np.arange(len(steps))[::-1]) / (0.04 * RATE_HZ), 0.0, 1.0)
    (found,) = measured(tmp_path, [(band_limited * fade)[offset::4]]).true_peak_dbtp
    assert found is not None
    assert -0.4 <= found <= 0.2
