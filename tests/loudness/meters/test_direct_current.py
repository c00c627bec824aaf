"""Direct current is found, and no tone that a transducer may play is taken for it."""

from math import pi

import numpy as np
import pytest
from numpy.typing import NDArray

from residue.loudness.caps.caps import CapEntry, expand
from residue.loudness.meters.direct_current import DirectCurrentMeter
from residue.loudness.outputs.outputs import Output
from residue.loudness.stage.protection import Conditioner
from residue.loudness.stage.stage import CapStage
from residue.watchdog.checks import DIRECT

Floats = NDArray[np.float64]
RATE_HZ = 48_000
BLOCK_FRAMES = 4800
EVERY_HZ = np.arange(2, 101)
LOW_AND_SOME_HZ = np.array([*range(2, 13), 14, 16, 20, 25, 31, 40, 50, 63, 80, 100])
"""The lower a tone, the more of it the meter finds."""
TIME_S = np.arange(8 * RATE_HZ) / RATE_HZ


def highest(signal: Floats) -> float:
    """The highest direct current that the meter finds in (outputs, frames), given block by block."""
    meter = DirectCurrentMeter(len(signal))
    return max(float(np.max(meter(block))) for block in np.split(signal, signal.shape[1] // BLOCK_FRAMES, axis=1))


def shaken(signal: Floats, transducer: str) -> Floats:
    """A signal behind the high-pass of a transducer that lets the most through."""
    outputs = {str(n): Output(device_channel=n + 1, transducer=transducer, subsonic_hz=1.0) for n in range(len(signal))}  # type: ignore[arg-type]
    return Conditioner(outputs)(signal)


# Full scale is the most that any cap allows: with less, the meter finds less in proportion, for it is linear.
@pytest.mark.parametrize("transducer", ["speaker", "shaker"])
@pytest.mark.parametrize("sounding_s", [8.0, 2.5, 0.3], ids=["steady", "bursts of 2.5 s", "bursts of 0.3 s"])
@pytest.mark.parametrize(
    "every_hz",
    [pytest.param(LOW_AND_SOME_HZ, id="some"), pytest.param(EVERY_HZ, id="all", marks=pytest.mark.long)],
)
def test_no_tone_from_2_to_100_hz_at_full_scale_is_taken_for_direct_current(
    transducer: str, sounding_s: float, every_hz: NDArray[np.int64]
) -> None:
    gate = np.mod(TIME_S, 2.0 * sounding_s) < sounding_s
    for tones_hz in np.array_split(every_hz, max(1, len(every_hz) // 11)):
        tones = np.sin(2 * pi * tones_hz[:, np.newaxis] * TIME_S + 0.3) * gate
        assert highest(shaken(tones, transducer)) < DIRECT / 6


@pytest.mark.parametrize(
    ("tone_hz", "sounds_s", "again_s", "limit_dbfs"),
    [(2.0, 2.7, 3.3, -24.0), (2.24, 2.03, 2.66, -18.0)],
)
def test_no_low_burst_is_taken_for_direct_current_that_a_cap_lowers_in_the_middle_of_a_wave(
    tone_hz: float, sounds_s: float, again_s: float, limit_dbfs: float
) -> None:
    """Each ends in a click, for which the cap lowers all: what is left of the last half of a wave is of one sign."""
    time_s = np.arange(9 * RATE_HZ) / RATE_HZ
    bursts = np.sin(2 * pi * tone_hz * time_s + 0.3) * (time_s % again_s < sounds_s)
    outputs = {"seat": Output(device_channel=1, transducer="shaker", subsonic_hz=1.0, long_term_dbfs=None)}
    stage = CapStage(outputs, expand([CapEntry(quantity="LCpeak", limit_dbfs=limit_dbfs)]), metered=False)
    assert highest(stage.process(bursts[np.newaxis]).frames) < DIRECT / 1.5


@pytest.mark.parametrize("level_db", [-29.0, -20.0, 0.0])
@pytest.mark.parametrize("sign", [1.0, -1.0])
@pytest.mark.parametrize("tone_hz", [0.0, 2.0, 16.0, 63.0])
def test_a_direct_current_is_found_within_four_seconds_under_a_tone(
    level_db: float, sign: float, tone_hz: float
) -> None:
    current = sign * 10 ** (level_db / 20)
    signal = current * (1.0 + 0.5 * np.sin(2 * pi * tone_hz * TIME_S))
    assert highest(signal[np.newaxis, : 5 * RATE_HZ]) > DIRECT


def test_it_is_the_current_itself_that_is_told() -> None:
    assert highest(np.full((1, 8 * RATE_HZ), -0.25)) == pytest.approx(0.25, rel=0.01)
