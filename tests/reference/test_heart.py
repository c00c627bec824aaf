"""Beats, rate and variability against other detectors on real ECG, the Task Force's definitions, and neurokit2."""

from __future__ import annotations

import sys
import warnings
from collections.abc import Callable, Mapping
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import signal

from residue.dsp.qrs import BeatFinder
from residue.mapping.nodes import KINDS
from residue.mapping.nodes.heart import PACES
from residue.mapping.signals import AUDIO_RATE_HZ, CONTROL_RATE_HZ, FRAMES_PER_TICK, Events
from tests.mapping.single import read, run, trust
from tests.reference.recordings import Recording, ecg_208, ecg_aami_3a, ecg_aha_0201, ecg_systole

Floats = NDArray[np.float64]

MATCH_S = 0.150
"""ANSI/AAMI EC57: a detection within 150 ms of the reference beat is a match (from memory)."""
LEARNING_S = 5.0
"""EC57 leaves out 5 min (from memory), which is longer than these recordings; all detectors get the same."""


def beats(ecg: Floats, kind: str = "beats", **parameters: Any) -> Events:
    found = run(
        KINDS[kind](input="a", **parameters),
        {"input": ecg},
        len(ecg) * FRAMES_PER_TICK,
        range(0, len(ecg) * 24, 480_000),
    )
    assert isinstance(found, Events)
    return found


def times_s(ecg: Floats, pace: str = "sure") -> Floats:
    return beats(ecg, pace=pace).frames / AUDIO_RATE_HZ - PACES[pace].late_s


def rate(events: Events, ticks: int, **parameters: Any) -> Floats:
    found = run(KINDS["heart_rate"](input="a", **parameters), {"input": events}, ticks * FRAMES_PER_TICK)
    assert isinstance(found, np.ndarray)
    return found


def at_control_rate(recording: Recording, seconds: float) -> Floats:
    samples = recording.values[0, : round(seconds * recording.rate_hz)]
    divisor = np.gcd(CONTROL_RATE_HZ, recording.rate_hz)
    found: Floats = signal.resample_poly(samples, CONTROL_RATE_HZ // divisor, recording.rate_hz // divisor)
    return found


def others(recording: Recording, seconds: float) -> Mapping[str, Floats]:
    """What general-purpose detectors find, in seconds; all of them see the whole recording at once."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # theirs, about their own insides
        import ecgdetectors
        import neurokit2
        from sleepecg.heartbeats import detect_heartbeats
        from wfdb import processing

        fs = recording.rate_hz
        ecg = recording.values[0, : round(seconds * fs)]
        detectors: Mapping[str, Callable[[], Any]] = {
            "sleepecg": lambda: detect_heartbeats(ecg, fs),
            "neurokit2": lambda: neurokit2.ecg_peaks(neurokit2.ecg_clean(ecg, fs), fs)[1]["ECG_R_Peaks"],
            "neurokit2 pantompkins1985": lambda: neurokit2.ecg_peaks(
                neurokit2.ecg_clean(ecg, fs, method="pantompkins1985"), fs, method="pantompkins1985"
            )[1]["ECG_R_Peaks"],
            "py-ecg-detectors two averages": lambda: ecgdetectors.Detectors(fs).two_average_detector(ecg),
            "wfdb xqrs": lambda: processing.xqrs_detect(ecg, fs, verbose=False),
        }
        return {name: np.asarray(detect(), np.float64) / fs for name, detect in detectors.items()}


def score(found_s: Floats, reference_s: Floats, within_s: float = MATCH_S) -> tuple[float, float]:
    """Sensitivity and positive predictivity, each beat matched at most once."""
    left = list(reference_s)
    hits = 0
    for found in found_s:
        near = [beat for beat in left if abs(beat - found) <= within_s]
        if near:
            left.remove(min(near, key=lambda beat: abs(beat - found)))
            hits += 1
    return hits / max(len(reference_s), 1), hits / max(len(found_s), 1)


def agreed(found: Mapping[str, Floats], how_many: int, within_s: float = MATCH_S) -> Floats:
    """Silver reference: beats that so many detectors have within the window, at the median of their places."""
    everything = np.sort(np.concatenate(list(found.values())))
    groups = np.split(everything, np.flatnonzero(np.diff(everything) > within_s) + 1)
    return np.array([np.median(group) for group in groups if len(group) >= how_many])


def noises(rate_hz: int, count: int) -> Mapping[str, Floats]:
    """Noises of power 1, always the same."""
    random = np.random.default_rng(1)
    seconds = -(-count // rate_hz)

    def within(low_hz: float, high_hz: float) -> Floats:
        made = band(random.normal(size=count), low_hz, min(high_hz, 0.45 * rate_hz), rate_hz)
        scaled: Floats = made / np.sqrt(np.var(made))
        return scaled

    bursts = np.repeat(random.random(seconds) > 0.5, rate_hz)[:count]
    hum = np.sqrt(2.0) * np.sin(2 * np.pi * 50.0 * np.arange(count) / rate_hz)
    return {
        "muscle": within(20, 150),
        "muscle in bursts": within(20, 150) * bursts,
        "movement": within(0.5, 8),
        "hum": hum,
    }


def band(values: Floats, low_hz: float, high_hz: float, rate_hz: int) -> Floats:
    made: Floats = signal.sosfilt(signal.butter(2, [low_hz, high_hz], "bandpass", fs=rate_hz, output="sos"), values)
    return made


FIRST_S, LAST_S = 0.5, 0.25
"""Beats so near to the edges of a record are not counted.

In the nine leads of STAFF III 001a the others agree on 354 or 355 beats of one heart, for one lies 0.19 s after the
beginning and one 0.01 s before the end: what comes so late is not over, and whoever hears a record as it comes has seen
nothing yet that the first could be compared with.
"""

Marked = tuple[Recording, Floats | int, float, float]
"""A recording, the beats in it and from when to when it is looked at, in seconds.

The beats are those that people marked; where nobody did, those on which so many of the five others agree (silver).
"""


def systole() -> Marked:
    return ecg_systole(), 4, LEARNING_S, 300.0


def aami_3a() -> Marked:
    """Two of the others lose half of these beats. From the first on: two kinds of beats, of opposite sign."""
    return ecg_aami_3a(), 3, FIRST_S, 60.0


def aha_0201() -> Marked:
    """The marks begin after 5 min: the learning period of EC57. Ten minutes of them, with 57 extra beats."""
    ecg, marks = ecg_aha_0201()
    return ecg, marks, 300.0, 900.0


@pytest.mark.parametrize("marked", [systole, aami_3a, pytest.param(aha_0201, marks=pytest.mark.long)])
def test_beats_are_found_as_well_as_by_the_best_of_the_others(
    marked: Callable[[], Marked], capsys: pytest.CaptureFixture[str]
) -> None:
    ecg, marks, from_s, to_s = marked()
    found = dict(others(ecg, to_s))
    reference = agreed(found, marks) if isinstance(marks, int) else marks
    found["ours, causal"] = times_s(at_control_rate(ecg, to_s))

    def within(places_s: Floats) -> Floats:
        return places_s[(places_s > from_s) & (places_s < to_s - 1.0)]

    scores = {name: score(within(places), within(reference)) for name, places in found.items()}
    told = "silver" if isinstance(marks, int) else "marked by people"
    lines = [f"{marked.__name__}: {len(within(reference))} beats, {told}; {1000 * MATCH_S:.0f} ms of ANSI/AAMI EC57"]
    lines += [f"  {name:32} Se {se:.4f}  +P {ppv:.4f}" for name, (se, ppv) in scores.items()]
    with capsys.disabled():
        sys.stdout.write("\n" + "\n".join(lines) + "\n")
    ours = scores.pop("ours, causal")
    assert len(within(reference)) > 60
    assert ours[0] >= max(se for se, _ in scores.values())
    assert ours[1] >= max(ppv for _, ppv in scores.values())


def pulse(rate_bpm: float) -> Floats:
    """A wave with its dicrotic one."""
    phase = (np.arange(80_000) / CONTROL_RATE_HZ * rate_bpm / 60.0) % 1.0
    wave: Floats = np.exp(-(((phase - 0.2) / 0.09) ** 2)) + 0.35 * np.exp(-(((phase - 0.5) / 0.12) ** 2))
    return wave


def test_a_real_falling_heart_rate_is_followed() -> None:
    """Systole's record falls from 93.5 to 68.7 within a minute from 125 s on (found when the recording was chosen)."""
    ecg = at_control_rate(ecg_systole(), 260.0)
    found = rate(beats(ecg), len(ecg), beats=8)
    assert found[122 * CONTROL_RATE_HZ : 130 * CONTROL_RATE_HZ].max() > 85.0
    assert found[125 * CONTROL_RATE_HZ : 190 * CONTROL_RATE_HZ].min() < 74.0


TASK_FORCE = [
    ([800, 850, 810, 720], 63.77042, 75.472),
    ([810, 830, 790, 850, 820], 40.3113, 73.171),
    ([800, 810, 790, 805], 15.5456, 74.883),
    ([800, 810, 790, 805, 795], 14.3614, 75.0),
    ([1000, 1060, 980, 1020, 940, 1010, 1000], 61.914, 59.914),
]
"""Intervals in ms, RMSSD in ms, 60000 over the mean interval: worked examples of toolboxes and teaching pages for the
definitions of the Task Force of ESC and NASPE, Eur Heart J 17 (1996) 354-381."""


def from_intervals(intervals_ms: list[int]) -> tuple[Events, int]:
    frames = np.cumsum(np.array(intervals_ms, np.int64)) * (AUDIO_RATE_HZ // 1000)
    return Events(frames, np.array(intervals_ms) / 1000.0), -(-int(frames[-1] + 100) // FRAMES_PER_TICK)


@pytest.mark.parametrize(("intervals_ms", "rmssd_ms", "mean_rate"), TASK_FORCE, ids=str)
def test_rmssd_and_rate_are_the_task_forces(intervals_ms: list[int], rmssd_ms: float, mean_rate: float) -> None:
    events, ticks = from_intervals(intervals_ms)
    found = run(KINDS["rmssd"](input="a"), {"input": events}, ticks * FRAMES_PER_TICK)
    assert isinstance(found, np.ndarray)
    assert found[-1] == pytest.approx(rmssd_ms, abs=1e-3)
    assert rate(events, ticks, beats=len(intervals_ms))[-1] == pytest.approx(mean_rate, abs=1e-3)


def synthetic(rate_bpm: float, seconds: float = 40.0) -> Floats:
    """P, Q, R, S and T as bumps at their usual places; enough for a detector, not for a physician."""
    at_s = np.arange(round(seconds * CONTROL_RATE_HZ)) / CONTROL_RATE_HZ
    ecg = np.zeros(len(at_s))
    squeeze = min(1.0, (60.0 / rate_bpm) ** 0.5)
    waves = [(0.12, -0.16, 0.025), (-0.12, -0.03, 0.01), (1.0, 0.0, 0.011), (-0.25, 0.03, 0.012), (0.3, 0.25, 0.05)]
    for beat_s in np.arange(0.5, seconds, 60.0 / rate_bpm):
        for height, place_s, width_s in waves:
            ecg += height * np.exp(-(((at_s - beat_s - place_s * squeeze) / width_s) ** 2) / 2)
    return ecg


@pytest.mark.parametrize(
    "rate_bpm",
    [20, 45, 120, 260, *(pytest.param(bpm, marks=pytest.mark.long) for bpm in (25, 28, 60, 90, 160, 200, 240))],
)
def test_the_rate_put_in_is_the_rate_found(rate_bpm: float) -> None:
    """Within 5 beats a minute, as IEC 60601-2-27 asks of a heart-rate meter from 30 to 200 (from memory)."""
    ecg = synthetic(rate_bpm) + np.random.default_rng(3).normal(0.0, 0.05, 80_000)
    events = beats(ecg)
    assert rate(events, len(ecg))[-1] == pytest.approx(rate_bpm, abs=5.0)
    assert trust(KINDS["heart_rate"](input="a"), {"input": events}, len(ecg) * FRAMES_PER_TICK)[-1] > 0.9


def rhythm(intervals_s: Floats) -> tuple[Events, int]:
    """Beats with these intervals, the first of them at the first interval."""
    frames = np.round(np.cumsum(intervals_s) * AUDIO_RATE_HZ).astype(np.int64)
    return Events(frames, intervals_s), int(frames[-1]) // FRAMES_PER_TICK + 2


RANDOM = np.random.default_rng(11)
RHYTHMS = {
    "bigeminy at 75": np.tile([0.52, 1.08], 60),
    "trigeminy": np.tile([0.8, 0.5, 1.1], 40),
    "atrial fibrillation": RANDOM.gamma(9.0, 0.614 / 9.0, 200).clip(0.3, 1.6),
    "random between 0.35 and 0.9 s": RANDOM.uniform(0.35, 0.9, 200),
    "a slow heart": np.full(40, 60 / 25),
    "a fast heart": np.full(200, 60 / 240),
    "breath in every interval": 0.85 + 0.2 * np.sin(np.arange(150) / 4.0),
}


@pytest.mark.parametrize("intervals_s", RHYTHMS.values(), ids=RHYTHMS)
def test_the_rate_of_an_irregular_heart_is_that_of_its_beats_over_time(intervals_s: Floats) -> None:
    """Count over time, the definition. The rate over 4 beats wavers around it; its mean over time must not."""
    events, ticks = rhythm(intervals_s)
    found = rate(events, ticks)
    settled = found[int(8 * CONTROL_RATE_HZ) :]
    assert np.mean(1.0 / settled) ** -1 == pytest.approx(60.0 / np.mean(intervals_s), rel=0.06)


def test_a_pause_holds_the_rate_and_says_that_it_is_held() -> None:
    events, ticks = rhythm(np.array([0.8] * 20 + [4.5] + [0.8] * 20))
    found, known = read(KINDS["heart_rate"](input="a"), {"input": events}, ticks * FRAMES_PER_TICK)
    assert isinstance(found, np.ndarray)
    assert known is not None
    assert found[40 * CONTROL_RATE_HZ // 2 :].min() > 74.0
    in_pause = round(20.3 * CONTROL_RATE_HZ)
    assert known[in_pause] == 0.0
    assert known[-1] == 1.0


def test_a_rate_beyond_the_bounds_is_the_bound_with_no_trust() -> None:
    events, ticks = rhythm(np.full(60, 60 / 200))
    node = KINDS["heart_rate"](input="a", highest=180.0)
    found, known = read(node, {"input": events}, ticks * FRAMES_PER_TICK)
    assert isinstance(found, np.ndarray)
    assert known is not None
    assert found[-1] == 180.0
    assert known.max() == 0.0


def test_aami_3a_shows_80_beats_a_minute() -> None:
    """The nominal rate of the waveform: bigeminy, all beats counted."""
    ecg = at_control_rate(ecg_aami_3a(), 60.0)
    found = rate(beats(ecg), len(ecg))[10 * CONTROL_RATE_HZ :]
    assert found.min() > 75.0
    assert found.max() < 85.0


def test_rmssd_keeps_the_real_variability_and_drops_a_missed_beat() -> None:
    """Against the formula over all intervals; a smooth rise is a breath, a double interval a missed beat."""
    intervals_s = 0.8 + 0.17 * np.sin(np.arange(120) * 2 * np.pi / 11.0)
    events, ticks = rhythm(intervals_s)
    node = KINDS["rmssd"](input="a", beats=200)
    found = run(node, {"input": events}, ticks * FRAMES_PER_TICK)
    assert isinstance(found, np.ndarray)
    assert found[-1] == pytest.approx(1000.0 * np.sqrt(np.mean(np.diff(intervals_s) ** 2)), rel=1e-6)
    steady = 0.8 + 0.01 * np.sin(np.arange(60) * 2 * np.pi / 11.0)
    missed = np.concatenate((steady[:30], [steady[30] + steady[31]], steady[32:]))
    events, ticks = rhythm(missed)
    found = run(node, {"input": events}, ticks * FRAMES_PER_TICK)
    assert isinstance(found, np.ndarray)
    assert found[-1] == pytest.approx(1000.0 * np.sqrt(np.mean(np.diff(steady) ** 2)), rel=0.1)


@pytest.mark.parametrize("pace", PACES)
def test_beats_come_as_late_as_the_catalogue_says(pace: str) -> None:
    """The time after R that the node states, on a person at rest; its place is that of R, against the other detectors.

    Quick or not, on a clean lead no beat is lost.
    """
    ecg = ecg_systole()
    reference = agreed(others(ecg, 60.0), 4)
    reference = reference[(reference > 1.0) & (reference < 59.0)]
    late_s = PACES[pace].late_s
    at_s = beats(at_control_rate(ecg, 60.0), pace=pace).frames / AUDIO_RATE_HZ
    assert f"{late_s:g} s" in str(KINDS["beats"].__doc__)
    assert [min(abs(at_s - beat - late_s)) for beat in reference] == pytest.approx([0.0] * len(reference), abs=0.02)


def clicks(kind: str) -> Floats:
    """Five minutes of an electrode with a faint noise that is knocked, slips or sits beside a pacemaker.

    Pulses of 0.1 to 2 ms are those that IEC 60601-2-27 has rejected (from memory).
    """
    random = np.random.default_rng(21)
    made = np.zeros(300 * CONTROL_RATE_HZ)
    places = np.flatnonzero(random.random(len(made)) < 0.8 / CONTROL_RATE_HZ)
    if kind == "a pacemaker alone":
        for late in range(4):
            made[late :: round(0.857 * CONTROL_RATE_HZ)] = 1.0
    elif kind == "knocks":
        made[places] = random.normal(size=len(places))
    elif kind == "knocks, recorded at 250 Hz":
        made = signal.resample_poly((random.random(len(made) // 8) < 0.8 / 250.0).astype(np.float64), 8, 1)
    else:
        made[places] = random.normal(size=len(places))
        made = np.cumsum(made)
    return made + 0.001 * random.normal(size=len(made))


@pytest.mark.parametrize(
    "kind",
    [
        "a pacemaker alone",
        "slips",
        *(pytest.param(kind, marks=pytest.mark.long) for kind in ("knocks", "knocks, recorded at 250 Hz")),
    ],
)
def test_an_electrode_that_clicks_is_no_heart(kind: str) -> None:
    """At most a beat a minute where some fifty clicks come; detectors that take each for one give 240."""
    assert len(beats(clicks(kind)).frames) <= 5


def no_heart(kind: str) -> Floats:
    """A minute of an electrode that lies open, or has a drift a hundred times as strong as its noise."""
    at_s = np.arange(60 * CONTROL_RATE_HZ) / CONTROL_RATE_HZ
    hum = np.sin(2 * np.pi * 50.02 * at_s)
    return {
        "hum beyond the range of the converter": np.clip(3.0 * hum, -1.0, 1.0),
        "hum with its third harmonic": hum + 0.5 * np.sin(2 * np.pi * 150.06 * at_s + 1.0),
        "hum that swells as somebody walks by": hum * (1.0 + 0.8 * np.sin(2 * np.pi * 1.2 * at_s)),
        "a slow drift with noise": np.sin(0.1 * np.pi * at_s) + np.random.default_rng(5).normal(0.0, 0.01, len(at_s)),
    }[kind]


@pytest.mark.parametrize(
    "kind",
    [
        "hum beyond the range of the converter",
        "hum with its third harmonic",
        "hum that swells as somebody walks by",
        "a slow drift with noise",
    ],
)
def test_an_electrode_that_hums_or_drifts_has_no_heart(kind: str) -> None:
    """Filters leave a little of each, which comes regularly or has a level, and once looked like 48 or 96 a minute."""
    assert len(beats(no_heart(kind)).frames) == 0


def test_a_beat_is_found_where_a_gap_in_the_recording_hides_its_rise() -> None:
    """The last value held for 24 ms, then a jump; peakdet's real record has such a gap of 20 ms at 20.4 s."""
    ecg = synthetic(70)
    for beat_s in np.arange(0.5, 40.0, 60.0 / 70)[10::5]:
        at = round((beat_s - 0.024) * CONTROL_RATE_HZ)
        ecg[at : at + 48] = ecg[at]
    ecg += np.random.default_rng(2).normal(0.0, 0.02, len(ecg))
    assert beats(ecg).values[1:].max() < 1.0


def test_the_pulses_of_a_pacemaker_are_neither_beats_nor_hide_them() -> None:
    """Before each R wave a pulse of 1 ms, twenty times as high: IEC 60601-2-27 has them rejected (from memory)."""
    ecg = synthetic(70)
    for beat_s in np.arange(0.5, 40.0, 60.0 / 70):
        at = round((beat_s - 0.06) * CONTROL_RATE_HZ)
        ecg[at : at + 2] += 20.0
    alone, paced = (times_s(one + np.random.default_rng(2).normal(0.0, 0.02, 80_000)) for one in (synthetic(70), ecg))
    assert len(paced) == len(alone) >= 45
    assert paced == pytest.approx(alone, abs=0.02)


def test_a_second_deflection_within_the_refractory_time_is_no_beat() -> None:
    """After 180 ms no ventricle beats again; Pan and Tompkins 1985, section II D, give 200 ms."""
    ecg = synthetic(60, 60.0)
    late = round(0.18 * CONTROL_RATE_HZ)
    twice = ecg + 0.9 * np.concatenate((np.zeros(late), ecg[:-late]))
    intervals = beats(twice).values[5:]
    assert len(intervals) > 40
    assert np.min(intervals) > 0.9


def test_a_beat_that_goes_the_other_way_is_placed_where_it_is() -> None:
    """Marked by people, with movement: an extra beat goes down first, and was placed on the wave up after it."""
    both, marks_s = ecg_aha_0201()
    part = both["ecg"][300 * both.rate_hz : 600 * both.rate_hz]
    moved = noises(both.rate_hz, len(part))["movement"]
    heard = part + moved * np.sqrt(np.var(band(part, 1.0, 40.0, both.rate_hz)))
    ecg = at_control_rate(Recording(both.rate_hz, "mV", ("ecg",), heard[None]), 300.0)
    found_s = np.array([beat.at for beat in BeatFinder(CONTROL_RATE_HZ)(ecg)]) / CONTROL_RATE_HZ
    marked_s = marks_s[(marks_s > 300.0 + FIRST_S) & (marks_s < 600.0 - LAST_S)] - 300.0
    assert score(found_s, marked_s)[0] == 1.0


def test_a_heart_that_was_found_is_known_again_before_noise_has_left_the_averages() -> None:
    """12 s of much movement, then little: of the ten beats after it seven were lost."""
    ecg = synthetic(70, 80.0)
    at_s = np.arange(len(ecg)) / CONTROL_RATE_HZ
    moved = band(np.random.default_rng(0).normal(size=len(ecg)), 0.5, 8.0, CONTROL_RATE_HZ)
    found_s = times_s(ecg + moved / moved.std() * (0.8 * ((at_s > 30.0) & (at_s < 42.0)) + 0.2))
    assert np.count_nonzero((found_s > 42.0) & (found_s < 42.0 + 10 * 60 / 70)) >= 8


@pytest.mark.long
def test_extra_beats_are_found_in_movement_as_well_as_by_the_best_of_the_others() -> None:
    """MIT-BIH 208 with as much movement as there is ECG: lost and false beats were 84, where the best other had 77."""
    whole = ecg_208()
    reference = agreed(others(whole, 1e5), 3)
    moved = noises(whole.rate_hz, whole.values.shape[1])["movement"]
    ecg = whole.values + moved * np.sqrt(np.var(band(whole.values[0], 1.0, 40.0, whole.rate_hz)))
    heard = Recording(whole.rate_hz, whole.unit, whole.names, ecg)
    found = dict(others(heard, 1e5))
    found["ours"] = times_s(at_control_rate(heard, 1e5))

    def wrong(places_s: Floats) -> float:
        within, counted = (one[(one > FIRST_S) & (one < 300.0 - LAST_S)] for one in (places_s, reference))
        sensitivity, predictivity = score(within, counted)
        return len(counted) * (1 - sensitivity) + len(within) * (1 - predictivity)

    ours = wrong(found.pop("ours"))
    assert ours <= min(map(wrong, found.values()))


MISSED = {
    "flat": np.zeros(80_000),
    "saturated": np.full(80_000, 5.0),
    "noise": np.random.default_rng(4).normal(0.0, 1.0, 80_000),
    "hum of the mains": np.sin(2 * np.pi * 50.0 * np.arange(80_000) / CONTROL_RATE_HZ),
}


@pytest.mark.parametrize("kind", ["beats", "pulse_beats"])
@pytest.mark.parametrize("loss", MISSED.values(), ids=MISSED)
def test_a_sensor_that_is_lost_is_held_and_noticed_and_found_again(loss: Floats, kind: str) -> None:
    body = synthetic(70) if kind == "beats" else pulse(70)
    heard = np.concatenate((body, loss, body))
    events = beats(heard, kind)
    found = rate(events, len(heard))[20_000:]
    # Of noise a beat or two may be believed, whose intervals move the mean of four a little: never a wild rate.
    assert found.min() > 60.0
    assert found.max() < 82.0
    missing = run(KINDS["missing"](input="a"), {"input": events}, len(heard) * FRAMES_PER_TICK)
    assert isinstance(missing, np.ndarray)
    assert missing[80_000:160_000].max() == 1.0
    assert missing[-2_000] == 0.0


def test_rate_and_variability_are_those_of_neurokit2_on_the_same_beats() -> None:
    """Beats of a person at rest. neurokit2's mean NN and RMSSD; every interval is plausible, so none is left out."""
    frames = beats(at_control_rate(ecg_systole(), 130.0)).frames[2:102]
    intervals_s = np.diff(frames) / AUDIO_RATE_HZ
    events, ticks = Events(frames[1:] - frames[0], intervals_s), int(frames[-1] - frames[0]) // FRAMES_PER_TICK + 1
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # theirs
        import neurokit2

        theirs = neurokit2.hrv_time((frames - frames[0]) // 48, sampling_rate=1000)
    found = run(KINDS["rmssd"](input="a", beats=200), {"input": events}, ticks * FRAMES_PER_TICK)
    assert isinstance(found, np.ndarray)
    assert found[-1] == pytest.approx(theirs["HRV_RMSSD"][0], rel=0.01)  # theirs are rounded to milliseconds
    mean_rate = rate(events, ticks, beats=120)[-1]
    assert mean_rate == pytest.approx(60_000.0 / theirs["HRV_MeanNN"][0], rel=1e-4)


def test_beats_that_a_touch_puts_out_of_place_are_no_variability() -> None:
    """200 real beats, of which five lie 0.12 s off: 52 ms were given for 26.6; neurokit2's correction gives 28.8.

    Of real variability nothing is lost: as it is, it is that of neurokit2, which leaves nothing out.
    """
    frames = beats(at_control_rate(ecg_systole(), 200.0)).frames[2:202]
    clean, ticks = _valued(frames)
    touched = frames.copy()
    touched[60:180:24] += round(0.12 * AUDIO_RATE_HZ)
    found = [
        read(KINDS["rmssd"](input="a", beats=300), {"input": events}, ticks * FRAMES_PER_TICK)
        for events in (clean, _valued(touched)[0])
    ]
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # theirs
        import neurokit2

        peaks = touched // 48
        _, corrected = neurokit2.signal_fixpeaks(peaks, sampling_rate=1000, method="Kubios")
        theirs, mended = (
            neurokit2.hrv_time(one, sampling_rate=1000)["HRV_RMSSD"][0] for one in (frames // 48, corrected)
        )
    as_it_is, with_touch = (float(np.asarray(one.signal)[-1]) for one in found)
    assert as_it_is == pytest.approx(theirs, rel=0.01)
    assert with_touch == pytest.approx(theirs, rel=0.06)
    assert abs(with_touch - theirs) <= abs(mended - theirs)


def _valued(frames: NDArray[np.int64]) -> tuple[Events, int]:
    """Beats at these frames from the first on, each with its interval, and the ticks that they take."""
    return Events(frames[1:] - frames[0], np.diff(frames) / AUDIO_RATE_HZ), int(frames[-1] - frames[0]) // 24 + 1


def test_a_heart_that_calms_down_settles() -> None:
    """From about 120 to about 60 beats a minute, a fact of common practice."""
    rates = np.concatenate((np.linspace(120.0, 60.0, 90), np.full(60, 60.0)))
    frames = np.cumsum(np.round(60.0 / rates * AUDIO_RATE_HZ)).astype(np.int64)
    ticks = int(frames[-1]) // FRAMES_PER_TICK
    spread = run(KINDS["spread"](input="a"), {"input": rate(Events(frames, 60.0 / rates), ticks)}, ticks * 24)
    assert isinstance(spread, np.ndarray)
    assert spread[60_000:100_000].min() > 4.0
    assert spread[-1] < 1.0


def breathing(depth_ms: float, breaths_a_minute: float, beats: int = 90) -> Events:
    """Beats at 75 a minute whose intervals go up and down by so much with the breath, from lowest to highest."""
    at_s, times, intervals = 0.0, [], []
    for _ in range(beats):
        interval = 0.8 + depth_ms / 2000.0 * np.sin(2 * np.pi * breaths_a_minute / 60.0 * at_s)
        at_s += interval
        times.append(round(at_s * AUDIO_RATE_HZ))
        intervals.append(interval)
    return Events(np.array(times, np.int64), np.array(intervals))


def modulation(events: Events, **parameters: Any) -> Floats:
    ticks = int(events.frames[-1]) // FRAMES_PER_TICK
    within = events.frames < ticks * FRAMES_PER_TICK
    events = Events(events.frames[within], events.values[within])
    node = KINDS["respiratory_modulation"](input="a", **parameters)
    found = run(node, {"input": events}, ticks * FRAMES_PER_TICK)
    assert isinstance(found, np.ndarray)
    return found


@pytest.mark.parametrize("depth_ms", [20.0, 60.0, 120.0])
def test_the_depth_of_breath_put_in_is_the_depth_found(depth_ms: float) -> None:
    """15 breaths a minute, the middle of the band of the Task Force (0.15 to 0.4 Hz)."""
    assert modulation(breathing(depth_ms, 15.0))[-1] == pytest.approx(depth_ms, rel=0.15)


def test_the_depth_is_that_of_the_power_in_the_band_of_the_task_force() -> None:
    """Against scipy's spectrum of the intervals, resampled evenly, as Task Force 1996 describes it."""
    random = np.random.default_rng(12)
    events = breathing(50.0, 14.0, beats=200)
    events = Events(events.frames, events.values + random.normal(0.0, 0.004, len(events.values)))
    even_s = np.arange(20.0, events.frames[-1] / AUDIO_RATE_HZ, 0.25)
    even = np.interp(even_s, events.frames / AUDIO_RATE_HZ, events.values * 1000.0)
    frequencies_hz, density = signal.welch(even, 4.0, nperseg=240)
    band = (frequencies_hz >= 0.15) & (frequencies_hz <= 0.4)
    expected_ms = np.sqrt(8.0 * density[band].sum() * frequencies_hz[1])
    assert modulation(events, window_s=120.0)[-1] == pytest.approx(expected_ms, rel=0.15)


def test_a_slow_drift_of_the_heart_is_no_breath() -> None:
    """At 3 cycles a minute, the low-frequency band of the Task Force, little comes through."""
    assert modulation(breathing(60.0, 3.0))[-1] < 15.0


def test_the_wave_of_the_breath_goes_with_the_intervals() -> None:
    events = breathing(60.0, 15.0)
    wave = modulation(events, measure="wave")[-20 * CONTROL_RATE_HZ :]
    frequencies_hz, power = signal.welch(wave, CONTROL_RATE_HZ, nperseg=len(wave))
    assert frequencies_hz[np.argmax(power)] == pytest.approx(0.25, abs=0.05)


def test_the_depth_of_breath_is_trusted_while_beats_fit_and_not_before_or_after_them() -> None:
    """Nothing for 10 s, then a heart for 40 s, then an electrode that is off."""
    events = breathing(60.0, 15.0, beats=50)
    events = Events(events.frames + 10 * AUDIO_RATE_HZ, events.values)
    last_tick = int(events.frames[-1]) // FRAMES_PER_TICK
    node, frames = KINDS["respiratory_modulation"](input="a"), (last_tick + 20_000) * FRAMES_PER_TICK
    known = trust(node, {"input": events}, frames)
    assert known[: 10 * CONTROL_RATE_HZ].max() == 0.0
    assert known[30 * CONTROL_RATE_HZ : last_tick].min() > 0.95
    assert known[-10_000:].max() == 0.0


def test_the_beat_interval_is_held_over_what_cannot_be() -> None:
    events = Events(np.arange(1, 7) * 40_000, np.array([0.0, 0.8, 0.82, 4.0, 0.05, 0.79]))
    found = run(KINDS["beat_interval"](input="a", before_first_s=0.9), {"input": events}, 300_000)
    assert isinstance(found, np.ndarray)
    assert [float(found[frame // 24]) for frame in (0, 85_000, 125_000, 165_000, 205_000, 245_000)] == [
        *(0.9, 0.8, 0.82, 0.82, 0.82, 0.79)
    ]
