"""No cap is passed at any place: two outputs, any relative delay, either polarity, by a meter that shares nothing.

At each place the outputs are as loud as at the calibrated one, and only their ways differ.
"""

import numpy as np
import pytest
from numpy.typing import NDArray

from residue.loudness.caps.caps import CapEntry, expand
from residue.loudness.meters.hops import HOP_FRAMES
from residue.loudness.outputs.outputs import Output
from residue.loudness.stage.limiter import DELAY_FRAMES
from residue.loudness.stage.stage import LIVE_SLICE_FRAMES, CapStage
from tests.reference.analogue_meter import (
    RATE_HZ,
    arriving,
    equivalent_db,
    equivalent_of,
    fast_maximum_of,
    peak_db,
    peak_of,
)

Floats = NDArray[np.float64]
FRAMES = 3 * RATE_HZ
TIME = np.arange(FRAMES) / RATE_HZ
CAPS = {
    "LAeq over 1 s": CapEntry(quantity="LAeq", window_s=1.0, limit_dbfs=-32.0),
    "LCeq over 2 s": CapEntry(quantity="LCeq", window_s=2.0, limit_dbfs=-32.0),
    "LCpeak": CapEntry(quantity="LCpeak", limit_dbfs=-24.0),
    "LAFmax": CapEntry(quantity="LAFmax", limit_dbfs=-32.0),
}
LATER_MS = (0.0, 0.25, 1.0, 7.94, 12.3, 20.0)


def highest_db(cap: str, heard: Floats) -> float:
    """Of what arrives, under the weighting of the cap."""
    if cap == "LCpeak":
        return peak_of(heard)
    if cap == "LAFmax":
        return fast_maximum_of(heard)
    return equivalent_of(heard, float(cap.split()[2]))


def stereo(sound: str, seed: int = 1) -> Floats:
    """(2, FRAMES): both alike, or each for itself, or by turns."""
    rng = np.random.default_rng(seed)
    if sound.endswith("Hz"):
        return np.tile(0.6 * np.sin(2 * np.pi * float(sound.removesuffix(" Hz")) * TIME), (2, 1))
    if sound == "noise alike":
        return np.tile(0.3 * rng.standard_normal(FRAMES), (2, 1))
    if sound == "noise apart":
        return 0.3 * rng.standard_normal((2, FRAMES))
    if sound == "bursts by turns":  # what comes together arrives together only on ways that differ
        return 0.6 * rng.standard_normal((2, FRAMES)) * np.stack([TIME % 0.2 < 0.01, (TIME - 0.01) % 0.2 < 0.01])
    return np.tile(np.where(np.arange(FRAMES) % 9_600 == 5_000, 8.0, 0.0), (2, 1))


SOUNDS = ("63 Hz", "bursts by turns")
AND_MORE = [
    pytest.param(sound, marks=pytest.mark.long)
    for sound in ("20 Hz", "500 Hz", "2000 Hz", "noise apart", "noise alike", "single samples")
]


@pytest.mark.parametrize("delay_ms", [pytest.param(0.0, marks=pytest.mark.long), 7.94])
@pytest.mark.parametrize("cap", CAPS)
@pytest.mark.parametrize("sound", [*SOUNDS, *AND_MORE])
def test_no_cap_is_passed_at_any_place(sound: str, cap: str, delay_ms: float) -> None:
    (expanded,) = expand([CAPS[cap]])
    outputs = {"left": Output(device_channel=1), "right": Output(device_channel=2, delay_ms=delay_ms)}
    silence = np.zeros((2, 5 * HOP_FRAMES))
    left, right = CapStage(outputs, [expanded]).process(np.concatenate((stereo(sound), silence), axis=1)).frames
    finer = 8 if cap == "LCpeak" else 1  # its peaks lie between the samples too
    found = []
    for here, there in ((left, right), (right, left)):
        first = arriving(here, cap[1], [0.0], finer)[0]
        for late in arriving(there, cap[1], [later_ms / 1000 for later_ms in LATER_MS], finer):
            found += [highest_db(cap, first + late), highest_db(cap, first - late)]
    assert max(found) <= expanded.limit
    if sound in ("63 Hz", "500 Hz", "noise alike") and cap != "LAeq over 1 s":
        assert max(found) > expanded.limit - 1.0, "the bound leaves no more unused than it must"


@pytest.mark.parametrize("slice_frames", [LIVE_SLICE_FRAMES, HOP_FRAMES])
def test_peaks_between_the_samples_of_two_outputs_may_meet(slice_frames: int) -> None:
    """A burst of one ends where a louder one of the other begins: on ways that differ, their highest peaks meet."""
    outputs = {
        name: Output(device_channel=at, rise_db_per_s=300.0, ceiling_dbtp=0.0) for name, at in (("a", 1), ("b", 2))
    }
    (cap,) = expand([CapEntry(quantity="LCpeak", limit_dbfs=-12.0)])
    stage = CapStage(outputs, [cap], slice_frames=slice_frames, metered=False)
    given = np.zeros((2, FRAMES))
    given[:, :RATE_HZ] = 0.02 * np.sin(2 * np.pi * 500.0 * TIME[:RATE_HZ])
    edge = RATE_HZ + 2 * HOP_FRAMES - DELAY_FRAMES % slice_frames  # a slice of the governor begins there
    for row, begins, size in ((0, edge - 220, 0.3), (1, edge + 20, 0.5)):
        burst = slice(begins, begins + 200)
        given[row, burst] = size * np.sin(2 * np.pi * 12_000.0 * TIME[burst]) * np.hanning(200)
    sent = np.concatenate(
        [stage.process(one).frames for one in np.split(given, FRAMES // slice_frames, axis=1)], axis=1
    )
    peaks = [np.max(np.abs(arriving(row, "C", [0.0], 8)[0])) for row in sent]
    assert 20 * np.log10(sum(peaks)) <= cap.limit


@pytest.mark.parametrize("sound", ["white noise", "single samples", "tone at 8 kHz", "all together"])
def test_lcpeak_holds_between_the_samples(sound: str) -> None:
    noise = 0.4 * np.random.default_rng(2).standard_normal(FRAMES)
    samples = np.where(np.arange(FRAMES) % 7_001 == 5_000, 8.0, 0.0)
    tone = 0.5 * np.sin(2 * np.pi * 8_000 * TIME + np.pi / 6)
    given = {"white noise": noise, "single samples": samples, "tone at 8 kHz": tone}.get(sound, noise + samples + tone)
    (cap,) = expand([CapEntry(quantity="LCpeak", limit_dbfs=-12.0)])
    stage = CapStage({"one": Output(device_channel=1)}, [cap])
    sent = stage.process(np.concatenate((given, np.zeros(5 * HOP_FRAMES)))[np.newaxis]).frames[0]
    assert cap.limit - 1.0 < peak_db(sent, "C") <= cap.limit


@pytest.mark.parametrize("quantity", ["LAeq", "LCeq"])
@pytest.mark.parametrize(
    "sound",
    [
        "white noise",
        "tone at 50 Hz",
        pytest.param("tone at 1 kHz", marks=pytest.mark.long),
        pytest.param("tone at 17 kHz", marks=pytest.mark.long),
    ],
)
def test_no_window_is_over_by_a_hundredth_of_a_decibel(sound: str, quantity: str) -> None:
    time = np.arange(16 * RATE_HZ) / RATE_HZ
    noise = 0.3 * np.random.default_rng(2).standard_normal(len(time))
    tones = {f"tone at {name}": np.sin(2 * np.pi * hz * time) for name, hz in
             {"1 kHz": 1000, "50 Hz": 50, "17 kHz": 17_000}.items()}  # fmt: skip
    given = {"white noise": noise, **tones}[sound]
    (cap,) = expand([CapEntry(quantity=quantity, window_s=10.0, limit_dbfs=-34.0)])
    sent = CapStage({"one": Output(device_channel=1)}, [cap]).process(given[np.newaxis]).frames[0]
    fade = np.minimum(1.0, np.arange(len(sent))[::-1] / RATE_HZ)
    assert equivalent_db(sent * fade, quantity[1], 10.0) <= cap.limit
