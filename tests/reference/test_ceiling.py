"""What is sent keeps its ceiling between the samples, against the ideal interpolation of the sampling theorem."""

import numpy as np
import pytest
from numpy.typing import NDArray

from residue.loudness.meters.hops import HOP_FRAMES
from residue.loudness.outputs.outputs import Output
from residue.loudness.stage.stage import CapStage
from tests.reference.analogue_meter import RATE_HZ, peak_db

Floats = NDArray[np.float64]
TIME = np.arange(4 * RATE_HZ) / RATE_HZ
NOISE = np.random.default_rng(3).standard_normal(len(TIME))
HOSTILE = {
    "white noise": NOISE,
    "full scale, signs at random": 2.0 * np.sign(NOISE),
    "noise in bursts": 2.0 * NOISE * (TIME % 0.5 < 0.05),
    "single samples": np.where(np.abs(NOISE) > 3.5, 8.0 * NOISE, 0.0),
    "tone at a quarter of the rate": 2.0 * np.sin(2 * np.pi * 11_987.3 * TIME),
    "tone at 19 kHz": 2.0 * np.sin(2 * np.pi * 19_000.7 * TIME),
    "sweep from 10 Hz to 20 kHz": 4.0 * np.sin(2 * np.pi * (10 * TIME + 20_000 / 8 * TIME**2)),
    "square": 2.0 * np.sign(np.sin(2 * np.pi * 997 * TIME)),
    "tone cut by 30 Hz": 3.0 * np.sin(2 * np.pi * 5003 * TIME) * (np.sin(2 * np.pi * 30 * TIME) > 0),
    "noise on a low tone": NOISE * (TIME % 1.0) + 3.0 * np.sin(2 * np.pi * 50 * TIME),
}


@pytest.mark.parametrize("ceiling_dbtp", [-1.0, pytest.param(-9.0, marks=pytest.mark.long)])
@pytest.mark.parametrize("sound", HOSTILE)
def test_no_ideal_interpolation_is_above_the_ceiling(sound: str, ceiling_dbtp: float) -> None:
    stage = CapStage({"one": Output(device_channel=1, ceiling_dbtp=ceiling_dbtp)}, [])
    silence = np.zeros(4 * HOP_FRAMES)
    sent = stage.process(np.concatenate((HOSTILE[sound], silence))[np.newaxis]).frames[0]
    assert ceiling_dbtp - 1.0 < peak_db(sent, "Z") <= ceiling_dbtp
