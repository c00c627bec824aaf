"""The cap stage as a whole: what comes out of it whatever goes in."""

import hashlib
from collections.abc import Sequence
from datetime import date
from math import inf, pi

import numpy as np
import pytest
from numpy.typing import NDArray

from residue.loudness.caps.caps import Cap, CapEntry, expand
from residue.loudness.meters.hops import HOP_FRAMES
from residue.loudness.outputs.calibration import Calibration
from residue.loudness.outputs.outputs import Output
from residue.loudness.stage.capped import Capped, Seal
from residue.loudness.stage.history import LogLag
from residue.loudness.stage.stage import LATENCY_FRAMES, LIVE_SLICE_FRAMES, CapStage
from tests.reference.analogue_meter import equivalent_db

Floats = NDArray[np.float64]
RATE_HZ = 48_000

CALIBRATED = Calibration(played_dbfs=-20.0, read_dba=74.0, read_dbc=75.6, on=date(2026, 3, 2))
OUTPUTS = {
    "left": Output(device_channel=1, calibration=CALIBRATED),
    "right": Output(device_channel=2, calibration=CALIBRATED, delay_ms=3.0, trim_db=-1.5),
    "floor": Output(device_channel=3, calibration=CALIBRATED, transducer="shaker", long_term_dbfs=-20.0),
}
CAPS = expand([CapEntry(rule="who-2022"), CapEntry(quantity="LCeq", window_s=2.0, limit_db=78.0)])


def sent(stage: CapStage, signal: Floats, block_frames: int = 4096) -> Floats:
    blocks = [stage.process(signal[:, at : at + block_frames]).frames for at in range(0, signal.shape[1], block_frames)]
    return np.concatenate(blocks, axis=1)


def swelling_noise(seconds: float, channels: int = 3) -> Floats:
    frames = round(seconds * RATE_HZ)
    return np.random.default_rng(7).standard_normal((channels, frames)) * np.linspace(0.0, 1.5, frames)


@pytest.mark.parametrize(("slice_frames", "seconds"), [(HOP_FRAMES, 6.0), (LIVE_SLICE_FRAMES, 1.2)])
def test_the_same_frames_come_out_however_they_are_cut(slice_frames: int, seconds: float) -> None:
    signal = swelling_noise(seconds)
    signal[0, 30_000] = np.nan
    digests = {
        hashlib.sha256(sent(CapStage(OUTPUTS, CAPS, slice_frames=slice_frames), signal, frames).tobytes()).hexdigest()
        for frames in (64, 480, 1000, 8192)
    }
    assert len(digests) == 1


def test_where_no_cap_acts_slices_give_the_same_samples_sooner() -> None:
    outputs = {"left": Output(device_channel=1), "right": Output(device_channel=2, delay_ms=2.0)}
    caps = expand(
        [CapEntry(quantity="LAeq", window_s=60.0, limit_dbfs=-20.0), CapEntry(quantity="LCpeak", limit_dbfs=-3.0)]
    )
    signal = 3e-4 * np.random.default_rng(5).standard_normal((2, 2 * RATE_HZ))
    late, soon = (CapStage(outputs, caps, slice_frames=frames) for frames in (HOP_FRAMES, LIVE_SLICE_FRAMES))
    assert soon.latency_frames < 0.03 * RATE_HZ
    after_hops, after_slices = sent(late, signal), sent(soon, signal)
    same = RATE_HZ
    assert np.array_equal(
        after_hops[:, late.latency_frames :][:, :same], after_slices[:, soon.latency_frames :][:, :same]
    )


def test_slices_are_metered_and_logged_in_hops() -> None:
    signal = 0.01 * np.random.default_rng(5).standard_normal((3, 2 * RATE_HZ))
    tallies = []
    for slice_frames in (HOP_FRAMES, LIVE_SLICE_FRAMES):
        stage = CapStage(OUTPUTS, (), slice_frames=slice_frames)
        sent(stage, signal)
        tallies.append(stage.take_tally())
    whole, sliced = tallies
    assert whole.duration_s == sliced.duration_s == pytest.approx(2.0)
    # More is on its way in hops, 0.31 s of 2 s, than in slices, 0.03 s: 0.7 dB.
    for key, level in whole.sent.items():
        assert sliced.sent[key] == pytest.approx(level + 0.7, abs=0.7), key


@pytest.mark.parametrize("caps", [CAPS, ()], ids=["caps", "no caps"])
def test_without_meters_the_same_frames_come_out(caps: Sequence[Cap]) -> None:
    outputs = OUTPUTS if caps else {"left": Output(device_channel=1)}
    signal = swelling_noise(2.0, len(outputs))
    metered, bare = (sent(CapStage(outputs, caps, metered=metered), signal) for metered in (True, False))
    assert np.array_equal(metered, bare)


def test_quiet_sound_passes_untouched_but_for_the_high_pass() -> None:
    outputs = {"left": Output(device_channel=1)}
    stage = CapStage(outputs, expand([CapEntry(quantity="LAeq", window_s=60.0, limit_dbfs=-20.0)]))
    tone = 1e-3 * np.sin(2 * pi * 1000 * np.arange(RATE_HZ) / RATE_HZ)
    out = sent(stage, tone[np.newaxis])[0]
    assert not np.any(out[:LATENCY_FRAMES])
    # A fourth-order high-pass at 20 Hz turns 1 kHz by 2.6 * 20 / 1000 rad; its gain there is 1.
    assert out[LATENCY_FRAMES + 5000 :] == pytest.approx(tone[5000 : len(tone) - LATENCY_FRAMES], abs=6e-5)
    assert np.max(np.abs(out[LATENCY_FRAMES + 5000 :])) == pytest.approx(1e-3, rel=2e-3)


def test_a_delay_comes_on_top_of_the_latency() -> None:
    outputs = {"near": Output(device_channel=1, delay_ms=10.0), "far": Output(device_channel=2)}
    stage = CapStage(outputs, expand([CapEntry(quantity="LAeq", window_s=60.0, limit_dbfs=-20.0)]))
    click = np.zeros((2, 4 * HOP_FRAMES))
    click[:, 0] = 1e-3
    near, far = sent(stage, np.concatenate([click, click], axis=1)[:, : 6 * HOP_FRAMES])
    edge = 1  # a frame by the edge of the band at 20 kHz
    assert int(np.argmax(np.abs(far))) == LATENCY_FRAMES + edge
    assert int(np.argmax(np.abs(near))) == LATENCY_FRAMES + 480 + edge


@pytest.mark.parametrize("bad", [np.nan, inf, -inf])
def test_what_is_not_finite_is_muted_and_counted(bad: float) -> None:
    signal = 1e-3 * np.random.default_rng(1).standard_normal((3, 3 * RATE_HZ))
    signal[1, 10_000:10_500] = bad
    stage = CapStage(OUTPUTS, CAPS)
    out = sent(stage, signal)
    assert np.isfinite(out).all()
    assert stage.reading().muted_frames == 500
    assert stage.take_tally().muted_frames == 500
    assert stage.take_tally().muted_frames == 0


def test_dc_and_what_lies_below_hearing_never_reach_a_speaker() -> None:
    outputs = {"left": Output(device_channel=1, rise_db_per_s=300.0)}
    stage = CapStage(outputs, expand([CapEntry(quantity="LZeq", window_s=60.0, limit_dbfs=0.0)]))
    out = sent(stage, np.full((1, 4 * RATE_HZ), 0.5))
    assert np.max(np.abs(out[:, 3 * RATE_HZ :])) < 1e-6
    stage = CapStage(outputs, expand([CapEntry(quantity="LZeq", window_s=60.0, limit_dbfs=0.0)]))
    five_hz = 0.5 * np.sin(2 * pi * 5 * np.arange(6 * RATE_HZ) / RATE_HZ)
    out = sent(stage, five_hz[np.newaxis])
    # Fourth-order Butterworth at 20 Hz, two octaves below its corner: -48 dB.
    assert 20 * np.log10(np.max(np.abs(out[:, 4 * RATE_HZ :])) / 0.5) == pytest.approx(-48.2, abs=0.5)


def test_reading_tells_levels_at_the_place_by_the_calibration() -> None:
    outputs = {"left": Output(device_channel=1, calibration=CALIBRATED)}
    stage = CapStage(outputs, expand([CapEntry(rule="who-2022")]))
    amplitude = 10 ** (-30 / 20) * 2**0.5  # -30 dBFS in mean square
    tone = amplitude * np.sin(2 * pi * 1000 * np.arange(10 * RATE_HZ) / RATE_HZ)
    sent(stage, tone[np.newaxis])
    reading = stage.reading()
    # The meter read 74.0 dB(A) for pink noise of -20 dBFS whose A level is 2.1 dB lower: a 1 kHz tone of -30 dBFS
    # therefore reads 74.0 + 2.1 - 10.
    assert reading.place.physical
    assert reading.place.a == pytest.approx(66.1, abs=0.1)
    assert reading.outputs["left"].a == pytest.approx(reading.place.a)
    assert reading.place.true_peak == pytest.approx(20 * np.log10(amplitude), abs=0.2)
    assert reading.outputs["left"].true_peak == reading.place.true_peak
    # Ten seconds of it, less the latency and the rise, in a window of fifteen minutes.
    (cap,) = reading.caps
    assert cap.unit == "dB(A)"
    assert cap.level == pytest.approx(66.1 + 10 * np.log10(9.7 / 900), abs=0.2)
    assert cap.headroom_db == pytest.approx(100.0 - cap.level)


def test_a_tally_tells_what_was_sent_since_the_last() -> None:
    outputs = {"left": Output(device_channel=1)}
    stage = CapStage(outputs, expand([CapEntry(quantity="LAeq", window_s=60.0, limit_dbfs=-3.0)]))
    tone = 0.1 * np.sin(2 * pi * 1000 * np.arange(4 * RATE_HZ) / RATE_HZ)
    sent(stage, tone[np.newaxis])
    stage.take_tally()
    sent(stage, tone[np.newaxis])
    tally = stage.take_tally()
    assert tally.duration_s == pytest.approx(4.0)
    assert not tally.physical
    for received in (tally.place, tally.outputs["left"]):
        assert received.laeq == pytest.approx(-23.01, abs=0.01)  # a full-scale sine reads -3.01
        assert received.lceq == pytest.approx(-23.01, abs=0.01)
        assert received.laf_max == pytest.approx(-23.01, abs=0.01)
        assert received.lc_peak == pytest.approx(-20.0, abs=0.01)
        assert received.true_peak_dbtp == pytest.approx(-20.0, abs=0.2)
        assert received.momentary_max_lufs == pytest.approx(-23.0, abs=0.02)
        assert received.integrated_lufs == pytest.approx(-23.0, abs=0.2)  # since the start, and so with its onset
    assert tally.sent["A at place, dBFS"] == tally.place.laeq
    assert tally.governor_db == 0.0
    assert tally.limiter_db == 0.0


def test_silence_reads_minus_infinity() -> None:
    stage = CapStage(OUTPUTS, CAPS)
    sent(stage, np.zeros((3, RATE_HZ)))
    assert stage.reading().place.c_peak < -400
    assert all(cap.level == -inf for cap in stage.reading().caps)


def test_frames_cannot_pass_for_capped_by_accident() -> None:
    with pytest.raises(TypeError, match="Only the cap stage"):
        Capped(np.zeros((1, 1)), None)  # type: ignore[arg-type]
    with pytest.raises(TypeError):
        Capped(np.zeros((1, 1)))  # type: ignore[call-arg]
    with pytest.raises(TypeError, match="Only the cap stage"):
        Capped(np.zeros((1, 1)), Seal)  # type: ignore[arg-type]


def test_a_steady_sound_at_a_cap_that_holds_at_every_moment_goes_on() -> None:
    """5 dB too loud for it, so about 5 dB are taken; a bound that is full by then must not silence what follows."""
    noise = 0.1 * np.random.default_rng(1).standard_normal((1, RATE_HZ))
    stage = CapStage(
        {"left": Output(device_channel=1, rise_db_per_s=300.0)},
        expand([CapEntry(quantity="LAFmax", limit_dbfs=-28.0)]),
        slice_frames=LIVE_SLICE_FRAMES,
        metered=False,
    )
    stage.begin_programme(planned=False)
    loud = sent(stage, noise, LIVE_SLICE_FRAMES)[0, 4 * HOP_FRAMES :].reshape(-1, HOP_FRAMES)
    assert 20 * np.log10(np.min(np.sqrt(np.mean(loud**2, axis=1))) / 0.1) > -9.0


def test_a_log_that_begins_to_lag_within_a_hop_does_not_silence_the_rest_of_it() -> None:
    noise = 0.031 * np.random.default_rng(1).standard_normal((1, 2 * RATE_HZ))
    stage = CapStage(
        {"left": Output(device_channel=1, rise_db_per_s=300.0)},
        expand([CapEntry(quantity="LAeq", window_s=10.0, limit_dbfs=-31.0)]),
        slice_frames=LIVE_SLICE_FRAMES,
        metered=False,
    )
    stage.begin_programme(planned=False)
    begun = RATE_HZ + 3 * HOP_FRAMES // 4
    before = sent(stage, noise[:, :begun], LIVE_SLICE_FRAMES)
    stage.spare(LogLag.ROWS)
    after = sent(stage, noise[:, begun:], LIVE_SLICE_FRAMES)
    usual, spared = (np.sqrt(np.mean(one[0, -HOP_FRAMES:] ** 2)) for one in (before, after))
    # Half of the limit's energy is about 2 dB less than this noise has.
    assert -4.0 < 20 * np.log10(spared / usual) < -1.0


@pytest.mark.parametrize("slice_frames", [pytest.param(LIVE_SLICE_FRAMES, marks=pytest.mark.long), 600, 2400])
def test_what_rings_after_the_last_slice_of_a_hop_has_room(slice_frames: int) -> None:
    """A tone of 16 Hz fills the budget and has to break off: then it rings under G for half a second."""
    time = np.arange(15 * HOP_FRAMES) / RATE_HZ
    tone = (np.sin(2 * pi * 16.0 * time) * (time > 0.1))[np.newaxis]
    (cap,) = expand([CapEntry(quantity="LGeq", window_s=1.0, limit_dbfs=-30.0)])
    stage = CapStage(
        {"left": Output(device_channel=1, subsonic_hz=8.0, rise_db_per_s=300.0)},
        [cap],
        slice_frames=slice_frames,
        metered=False,
    )
    out = sent(stage, np.concatenate((tone, np.zeros((1, 5 * HOP_FRAMES))), axis=1), slice_frames)[0]
    assert equivalent_db(out * np.minimum(1.0, np.arange(len(out))[::-1] / 480), "G", 1.0) <= cap.limit + 0.001
