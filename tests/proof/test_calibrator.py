from __future__ import annotations

from datetime import date

import numpy as np
import pytest

from residue.live.sound_input import InputFrames
from residue.proof.calibrator import read_calibrator, tone_dbfs

TIME_S = np.arange(5 * 48_000) / 48_000
HISS = np.random.default_rng(4).normal(0.0, 1e-4, len(TIME_S))


def test_a_full_scale_sine_reads_what_the_key_says() -> None:
    assert tone_dbfs(0.98 * np.sin(2.0 * np.pi * 1000.0 * TIME_S)) == pytest.approx(
        -3.01 + 20 * np.log10(0.98), abs=0.01
    )


def test_the_level_of_the_calibrator_is_that_of_the_input() -> None:
    class Input:
        def read(self, frames: int) -> InputFrames:
            tone = 0.1 * np.sin(
                2.0 * np.pi * 1005.0 * np.arange(frames) / 48_000
            )  # IEC 60942 lets it be off by some Hz
            return np.vstack((np.zeros(frames), tone)).astype(np.float32)

        def close(self) -> None: ...

    read = read_calibrator(Input(), 2, 94.0, date(2026, 11, 29))
    assert read.read_dbfs == pytest.approx(-23.01, abs=0.01)
    assert read.offset_db == pytest.approx(117.01, abs=0.01)


@pytest.mark.parametrize(
    ("given", "said"),
    [
        (HISS, "is a tone of 1 kHz. Put the calibrator on it"),
        (0.1 * np.sin(2.0 * np.pi * 250.0 * TIME_S), "Only 0% of what the microphone hears"),
        (np.zeros(len(TIME_S)), "gives nothing"),
        (np.clip(3.0 * np.sin(2.0 * np.pi * 1000.0 * TIME_S), -1.0, 1.0), "overloaded"),
    ],
    ids=["no tone", "another tone", "nothing", "clipping"],
)
def test_what_is_no_calibrator_is_refused(given: np.ndarray, said: str) -> None:
    with pytest.raises(ValueError, match=said):
        tone_dbfs(given)
