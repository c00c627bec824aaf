"""The written-out transform against numpy's."""

from __future__ import annotations

import numpy as np
import pytest

from residue.dsp.fourier import signal_of, spectrum_of, transform

RANDOM = np.random.default_rng(20_261_129)


@pytest.mark.parametrize("size", [1, 2, 4, 8, 64, 2_048, 16_384])
def test_it_is_the_discrete_fourier_transform(size: int) -> None:
    real, imaginary = RANDOM.normal(size=(2, 3, size))
    found = transform(real, imaginary)
    expected = np.fft.fft(real + 1j * imaginary)
    assert np.abs(found[0] + 1j * found[1] - expected).max() < 1e-14 * size**0.5 * (1 + np.log2(size))


def test_a_real_signal_comes_back_from_its_spectrum() -> None:
    signal = RANDOM.normal(size=(2, 2_048))
    real, imaginary = spectrum_of(signal)
    assert np.abs(real + 1j * imaginary - np.fft.rfft(signal)).max() < 1e-11
    assert signal_of((real, imaginary)) == pytest.approx(signal, abs=1e-14)


def test_silence_has_no_spectrum_at_all() -> None:
    assert not np.any(spectrum_of(np.zeros(64)))
