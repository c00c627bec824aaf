"""The plan: greatest gains at which nothing in the cap stage ever has to act."""

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from residue.dsp import exact
from residue.loudness.caps.caps import CapEntry, expand
from residue.loudness.caps.ears import ear_of
from residue.loudness.caps.instants import PEAK_MARGIN_DB
from residue.loudness.meters.hops import HOP_FRAMES
from residue.loudness.outputs.outputs import Output
from residue.loudness.plan.plan import plan
from residue.loudness.plan.profile import LevelProfile, profile
from residue.loudness.stage.stage import CapStage

Floats = NDArray[np.float64]
RATE_HZ = 48_000
OUTPUTS = {"left": Output(device_channel=1), "right": Output(device_channel=2, delay_ms=7.0)}
WINDOW_CAP = [CapEntry(quantity="LAeq", window_s=5.0, limit_dbfs=-30.0)]


def evening(seconds: float, start: float, end: float, seed: int = 1) -> Floats:
    """Noise that swells or fades; (2, frames)."""
    frames = round(seconds * RATE_HZ)
    return np.random.default_rng(seed).standard_normal((2, frames)) * np.geomspace(start, end, frames)


def profiled(signal: Floats, entries: list[CapEntry]) -> LevelProfile:
    blocks = [signal[:, at : at + 7001] for at in range(0, signal.shape[1], 7001)]
    return profile(blocks, OUTPUTS, expand(entries))


def actions_while_playing(
    parts: list[tuple[Floats, float]], rest_s: float, entries: list[CapEntry], times: int = 2
) -> tuple[float, float, float]:
    """Lowest gain of governor and limiter in dB, and highest level against the cap, over a programme that repeats."""
    stage = CapStage(OUTPUTS, expand(entries))
    lowest_governor, lowest_limiter, nearest = 0.0, 0.0, -np.inf
    for signal, gain_db in parts * times:
        length = -(-(signal.shape[1] + round(rest_s * RATE_HZ) + 2 * HOP_FRAMES) // HOP_FRAMES) * HOP_FRAMES
        padded = np.zeros((2, length))
        padded[:, : signal.shape[1]] = exact.gain_from_db(gain_db) * signal
        for at in range(0, length, HOP_FRAMES):
            stage.process(padded[:, at : at + HOP_FRAMES])
            reading = stage.reading()
            lowest_governor = min(lowest_governor, reading.governor_db)
            lowest_limiter = min(lowest_limiter, reading.limiter_db)
            nearest = max(nearest, *(-cap.headroom_db for cap in reading.caps))
    return lowest_governor, lowest_limiter, nearest


@pytest.mark.parametrize(
    "entries",
    [
        pytest.param(WINDOW_CAP, id="one window"),
        pytest.param([*WINDOW_CAP, CapEntry(quantity="LCeq", window_s=1.0, limit_dbfs=-28.0)], id="two windows"),
        pytest.param([CapEntry(quantity="LCpeak", limit_dbfs=-14.0)], id="a peak"),
        pytest.param([CapEntry(quantity="LZeq", window_s=40.0, limit_dbfs=-33.0)], id="a window longer than all"),
        pytest.param([CapEntry(quantity="LAeq", window_s=5.0, limit_dbfs=5.0)], id="only the ceiling"),
    ],
)
def test_with_the_plan_right_neither_governor_nor_limiter_ever_acts(entries: list[CapEntry]) -> None:
    signals = {"first": evening(6.0, 0.01, 0.5), "second": evening(5.0, 0.4, 0.02, seed=2)}
    found = plan([(name, profiled(signal, entries)) for name, signal in signals.items()], 1.5, expand(entries), OUTPUTS)
    parts = [(signal, found.gain_db(name)) for name, signal in signals.items()]
    lowest_governor, lowest_limiter, _ = actions_while_playing(parts, 1.5, entries)
    assert lowest_governor == 0.0
    assert lowest_limiter == 0.0


def test_the_plan_gives_away_little() -> None:
    # A knee of 2 % of the window costs 0.09 dB, and more where the end is louder than the window's mean.
    signal = evening(8.0, 0.2, 0.3)
    found = plan([("only", profiled(signal, WINDOW_CAP))], 60.0, expand(WINDOW_CAP), OUTPUTS)
    _, _, nearest = actions_while_playing([(signal, found.gain_db("only"))], 1.0, WINDOW_CAP, times=1)
    assert -0.5 < nearest <= 0.0
    (planned,) = found.performances
    (approach,) = planned.nearest
    assert approach.headroom_db == pytest.approx(-nearest, abs=0.05)
    assert approach.at_s == pytest.approx(8.0, abs=0.05)


def test_the_nearest_peak_is_told_as_the_stage_reads_it() -> None:
    entries, signal = [CapEntry(quantity="LCpeak", limit_dbfs=-14.0)], evening(3.0, 0.1, 0.3)
    (planned,) = plan([("only", profiled(signal, entries))], 60.0, expand(entries), OUTPUTS).performances
    _, _, nearest = actions_while_playing([(signal, planned.gain_db)], 1.0, entries, times=1)
    (approach,) = planned.nearest
    assert approach.headroom_db == pytest.approx(-nearest, abs=0.02)


def test_the_plan_stays_clear_of_what_the_governor_rounds_up() -> None:
    """Where an exact sum asks for a gain of exactly -10 dB, the next hundredth below is given."""
    entries = [CapEntry(quantity="LZeq", window_s=10.0, limit_dbfs=-30.0), CapEntry(quantity="LCpeak", limit_dbfs=0.0)]
    made = profiled(np.zeros((2, 60 * HOP_FRAMES)), entries)
    (window, peak), hops = expand(entries), 100
    rows = {cap.name: made.row(ear_of(cap, OUTPUTS).key) for cap in (window, peak)}
    knee, total = 2, 1e-3 * hops * HOP_FRAMES  # knee times one hop of a second's burst in a silent window

    def gain_db(energy: float = 0.0, magnitude: float = 0.0, true_peak: float = 0.0) -> float:
        levels = replace(made, energy=made.energy.copy(), peak=made.peak.copy(), true_peak=np.full(2, true_peak))
        levels.energy[rows[window.name], 30] = energy
        levels.peak[rows[peak.name], 30] = magnitude
        return plan([("burst", levels)], 60.0, (window, peak), OUTPUTS).gain_db("burst")

    assert gain_db(energy=10.0 * total / knee) == -10.01
    assert gain_db(true_peak=10 ** (8.5 / 20)) == -10.01  # a ceiling of -1 dBTP, and the limiter's margin of 0.5 dB
    assert gain_db(magnitude=10 ** ((10.0 - PEAK_MARGIN_DB) / 20)) == -10.01


def test_what_is_quiet_enough_is_left_alone() -> None:
    found = plan([("quiet", profiled(evening(3.0, 1e-4, 1e-3), WINDOW_CAP))], 0.0, expand(WINDOW_CAP), OUTPUTS)
    (planned,) = found.performances
    assert planned.gain_db == 0.0
    assert planned.reason == ""
    assert planned.words.startswith("quiet: the plan lowers nothing; nearest -")


def test_a_performance_is_lowered_as_a_whole_and_the_words_say_by_how_much_and_why() -> None:
    found = plan([("loud", profiled(evening(6.0, 0.05, 0.5), WINDOW_CAP))], 9.0, expand(WINDOW_CAP), OUTPUTS)
    (planned,) = found.performances
    assert planned.gain_db < -10.0
    assert planned.words == (
        f"loud: lowered by {-planned.gain_db:.1f} dB throughout so that -30 dBFS(A) over 5 s is never exceeded; "
        f"nearest {planned.nearest[0].level:.1f} dBFS(A) of LAeq over 5 s at 0:06."
    )


def test_neighbours_share_a_window_that_spans_both() -> None:
    entries = [CapEntry(quantity="LAeq", window_s=20.0, limit_dbfs=-30.0)]
    alone = plan([("a", profiled(evening(4.0, 0.3, 0.3), entries))], 60.0, expand(entries), OUTPUTS)
    both = plan(
        [("a", profiled(evening(4.0, 0.3, 0.3), entries)), ("b", profiled(evening(4.0, 0.3, 0.3, seed=2), entries))],
        1.0,
        expand(entries),
        OUTPUTS,
    )
    # Two of them, and their repeat, lie in a window that held one: twice the energy and more.
    assert both.gain_db("a") < alone.gain_db("a") - 3.0
    assert "with what is played before and after it" in both.performances[0].words


def test_a_daily_cap_counts_all_repeats() -> None:
    entries = [CapEntry(quantity="LAeq", window_s=28_800.0, limit_dbfs=-30.0)]
    signal = evening(4.0, 0.3, 0.3)
    found = plan([("a", profiled(signal, entries))], 4.0, expand(entries), OUTPUTS)
    known, (cap,) = profiled(signal, entries), expand(entries)
    profile_db = 10 * np.log10(np.sum(known.energy[known.row(ear_of(cap, OUTPUTS).key)]) / (4.0 * RATE_HZ))
    # Half of all time is rest: 3 dB may be added; the knee of 6 s holds it back by log(1 + 2 * 6 / 28800).
    duty_db = 10 * np.log10(8.3 / 4.0)
    assert found.gain_db("a") == pytest.approx(
        -30.0 - profile_db + duty_db - 10 * np.log10(1 + 6.0 / 28_800.0 * 8.3 / 4.0), abs=0.1
    )


def test_a_profile_does_not_depend_on_the_blocks() -> None:
    signal, caps = evening(1.0, 0.1, 0.1), expand(WINDOW_CAP)
    whole = profile([signal], OUTPUTS, caps)
    cut = profile(np.split(signal, [1, 777, 20_000], axis=1), OUTPUTS, caps)
    assert np.array_equal(whole.energy, cut.energy)
    assert np.array_equal(whole.true_peak, cut.true_peak)


def test_the_shape_of_a_piece_is_kept() -> None:
    # Peak-to-climax shape against the uncapped profile: correlation above 0.99 (here 1: one gain).
    signal = evening(12.0, 0.005, 0.5)
    found = plan([("only", profiled(signal, WINDOW_CAP))], 9.0, expand(WINDOW_CAP), OUTPUTS)
    stage = CapStage(OUTPUTS, expand(WINDOW_CAP))
    played = signal * exact.gain_from_db(found.gain_db("only"))
    out = stage.process(np.concatenate([played, np.zeros((2, 5 * HOP_FRAMES))], axis=1)).frames
    hops = signal.shape[1] // HOP_FRAMES - 4

    def shape(x: Floats, start: int) -> Floats:
        cut = x[0, start : start + hops * HOP_FRAMES].reshape(hops, -1)
        levels: Floats = 10 * np.log10(np.mean(cut**2, axis=1))
        return levels

    correlation = np.corrcoef(shape(signal, 0), shape(out, stage.latency_frames))[0, 1]
    assert correlation > 0.999
