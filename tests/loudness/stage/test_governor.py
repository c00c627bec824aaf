"""The promise: no window of any cap is ever exceeded, by the measure of a meter that shares nothing with the stage."""

from datetime import date

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy import signal as sps

from residue.loudness.caps.caps import Cap, CapEntry, expand
from residue.loudness.caps.ears import ear_of
from residue.loudness.meters.hops import HOP_FRAMES
from residue.loudness.meters.weightings import Weighting, sections
from residue.loudness.outputs.calibration import Calibration, offset_db
from residue.loudness.outputs.outputs import Output
from residue.loudness.stage.budget import HOP_UNITS, seeded, terms
from residue.loudness.stage.history import LogLag, SentHistory, SentRow, Unlogged
from residue.loudness.stage.stage import CapStage
from tests.properties import tries

Floats = NDArray[np.float64]
RATE_HZ = 48_000

CALIBRATED = Calibration(played_dbfs=-20.0, read_dba=74.0, read_dbc=76.0, on=date(2026, 3, 2))
OUTPUTS = {
    "left": Output(device_channel=1, calibration=CALIBRATED, rise_db_per_s=300.0),
    "floor": Output(device_channel=2, calibration=CALIBRATED, transducer="shaker", rise_db_per_s=300.0),
}
LIMITS = st.sampled_from(
    [
        [CapEntry(quantity="LAeq", window_s=1.0, limit_db=74.0)],
        [
            CapEntry(quantity="LCeq", window_s=1.3, limit_db=60.0),
            CapEntry(quantity="LAeq", window_s=2.0, limit_db=80.0),
        ],
        [CapEntry(quantity="LZeq", window_s=1.0, limit_dbfs=-30.0, output="floor")],
        [CapEntry(quantity="LCpeak", limit_db=85.0), CapEntry(quantity="LKeq", window_s=1.0, limit_dbfs=-15.0)],
        [CapEntry(quantity="LAeq", window_s=1.0, limit_dbfs=-60.0)],
        [CapEntry(quantity="LAFmax", limit_db=75.0), CapEntry(quantity="LGeq", window_s=1.0, limit_dbfs=-40.0)],
    ]
)


def highest_window(out: Floats, cap: Cap) -> float:
    """The cap's level at the worst of all sample offsets, in its unit: brute force over scipy's filters."""
    weighting = cap.quantity.weighting
    weighted = sps.sosfilt(sections(weighting, RATE_HZ), out, axis=1)
    gains = np.ones((len(out), 1))
    if cap.physical:
        gains = np.array(
            [[10 ** (offset_db(CALIBRATED, weighting, output.transducer) / 20)] for output in OUTPUTS.values()]
        )
    arriving = weighted * gains
    if cap.at != "place":
        arriving = arriving[[list(OUTPUTS).index(cap.at)]]
    together = np.sum(arriving, axis=0)
    if cap.quantity.name == "LAFmax":
        fall = np.exp(-1.0 / (0.125 * RATE_HZ))  # IEC 61672-1:2013, 3.8: an exponential mean of 125 ms
        powers = np.stack([together**2, np.sum(arriving**2, axis=0)])
        return float(10 * np.log10(np.max(sps.lfilter([1.0 - fall], [1.0, -fall], powers, axis=1)) + 1e-30))
    if cap.quantity.name == "LCpeak":
        return float(20 * np.log10(max(np.max(np.abs(together)), np.max(np.abs(arriving))) + 1e-30))
    frames = round(cap.window_s * RATE_HZ)
    worst = 0.0
    for power in (together**2, np.sum(arriving**2, axis=0)):
        running = np.cumsum(np.concatenate((np.zeros(frames), power, np.zeros(frames))))
        worst = max(worst, float(np.max(running[frames:] - running[:-frames])) / frames)
    return float(10 * np.log10(worst + 1e-30))


@st.composite
def evenings(draw: st.DrawFn) -> Floats:
    """Bursts, silence then full scale, tones below hearing, a gain moved at random, not aligned to anything."""
    frames = draw(st.integers(RATE_HZ, 3 * RATE_HZ))
    made = np.zeros((2, frames))
    time = np.arange(frames) / RATE_HZ
    for channel in range(2):
        for _ in range(draw(st.integers(1, 5))):
            start, length = draw(st.integers(0, frames - 1)), draw(st.sampled_from([1, 50, 3000, 20_000, 10**6]))
            kind = draw(st.sampled_from(["noise", "tone", "rumble", "click"]))
            here = slice(start, min(frames, start + length))
            count = here.stop - here.start
            made[channel, here] += (
                10 ** (draw(st.floats(-40.0, 12.0)) / 20)
                * {
                    "noise": np.random.default_rng(start).standard_normal(count),
                    "tone": np.sin(2 * np.pi * draw(st.floats(100.0, 15_000.0)) * time[here]),
                    "rumble": np.sin(2 * np.pi * draw(st.floats(5.0, 40.0)) * time[here]),
                    "click": np.where(np.arange(count) % draw(st.integers(500, 9000)) == 0, 1.0, 0.0),
                }[kind]
            )
    trims = np.random.default_rng(draw(st.integers(0, 99))).choice([0.0, 0.1, 1.0, 1.0], size=frames // 9600 + 1)
    moved: Floats = made * np.repeat(trims, 9600)[:frames]
    return moved


@given(evenings(), LIMITS, st.integers(1, 20_000))
@tries(many=500)
def test_no_window_of_any_cap_is_exceeded_at_any_sample(evening: Floats, entries: list[CapEntry], block: int) -> None:
    caps = expand(entries)
    stage = CapStage(OUTPUTS, caps)
    evening = np.concatenate([evening, np.zeros((2, 5 * HOP_FRAMES))], axis=1)
    out = np.concatenate(
        [stage.process(evening[:, at : at + block]).frames for at in range(0, evening.shape[1], block)], 1
    )
    for cap in caps:
        assert highest_window(out, cap) <= cap.limit + 1e-6, cap
    assert stage.reading().cut_hops == 0


@pytest.mark.parametrize(
    "entry",
    [CapEntry(quantity="LCpeak", limit_db=85.0), CapEntry(quantity="LAFmax", limit_db=40.0)],
    ids=["LCpeak", "LAFmax"],
)
@pytest.mark.parametrize("frequency_hz", [8.0, 13.0, 25.0])
def test_a_cap_at_every_moment_holds_where_low_tones_break_off(entry: CapEntry, frequency_hz: float) -> None:
    """A and C take most of a low tone away, and give it back where it ends or is turned down; nothing may be cut."""
    (cap,) = expand([entry])
    tones = []
    for seconds in (1.0, 1.13, 1.26):
        tones.append(np.sin(2 * np.pi * frequency_hz * np.arange(round(seconds * RATE_HZ)) / RATE_HZ))
        tones.append(np.zeros(RATE_HZ // 2))
    evening = np.concatenate(tones)
    stage = CapStage(OUTPUTS, (cap,))
    out = stage.process(np.stack([0.0 * evening, evening])).frames
    assert np.max(np.abs(out)) > 1e-3
    assert highest_window(out, cap) <= cap.limit + 1e-6
    assert stage.reading().cut_hops == 0


@pytest.mark.parametrize("frequency_hz", [100.0, pytest.param(1000.0, marks=pytest.mark.long), 8000.0])
def test_a_steady_tone_comes_close_to_its_highest_fast_level(frequency_hz: float) -> None:
    (cap,) = expand([CapEntry(quantity="LAFmax", limit_dbfs=-20.0)])
    stage = CapStage(OUTPUTS, [cap])
    tone = 0.7 * np.sin(2 * np.pi * frequency_hz * np.arange(6 * RATE_HZ) / RATE_HZ) * np.ones((len(OUTPUTS), 1))
    sent = stage.process(tone).frames
    power = sps.sosfilt(sections(Weighting.A, RATE_HZ), np.sum(sent, axis=0)) ** 2
    fall = np.exp(-1.0 / (0.125 * RATE_HZ))  # IEC 61672-1:2013, 5.8
    level_db = 10 * np.log10(np.max(sps.lfilter([1.0 - fall], [1.0, -fall], power)))
    assert -0.5 < level_db - cap.limit <= 0.0


CAP_2_S = expand([CapEntry(quantity="LAeq", window_s=2.0, limit_dbfs=-30.0)])


def loud(seconds: float, amplitude: float = 0.3) -> Floats:
    tone = amplitude * np.sin(2 * np.pi * 1000 * np.arange(round(seconds * RATE_HZ)) / RATE_HZ)
    return np.stack([tone, tone])


def test_a_cap_is_approached_and_not_hit() -> None:
    """Without a knee the governor would spend the whole window at once, and be silent until it has passed."""
    (cap,) = expand([CapEntry(quantity="LAeq", window_s=60.0, limit_dbfs=-30.0)])
    knee = 12  # a fiftieth of 600 hops
    out = CapStage(OUTPUTS, (cap,)).process(loud(20.0) * [[1.0], [0.0]]).frames[0]
    # At 1 kHz A changes nothing (IEC 61672-1:2013, table 3).
    sent = np.sum(np.square(out).reshape(-1, HOP_FRAMES), axis=1)
    total = 10 ** (cap.limit / 10) * 60 * RATE_HZ
    left = total - np.concatenate(([0.0], np.cumsum(sent)[:-1]))
    share = (sent / left)[left > total / 100]
    assert np.max(share) <= 1.01 / knee
    assert np.max(share) > 0.9 / knee


@tries(quick=10, many=100)
@given(st.integers(1, 40), st.floats(0.0, 2.0))
def test_what_was_sent_before_a_restart_counts(hops: int, pause_s: float) -> None:
    first = CapStage(OUTPUTS, CAP_2_S)
    before, rows = [], []
    for hop in range(hops):
        before.append(first.process(loud(0.1)).frames)
        tally = first.take_tally()
        rows.append(SentRow(pause_s + 0.1 * (hops - 1 - hop), tally.duration_s, tally.sent))
    second = CapStage(OUTPUTS, CAP_2_S, SentHistory(rows))
    after = second.process(loud(4.0)).frames
    silence = np.zeros((2, round(pause_s * RATE_HZ)))
    out = np.concatenate([*before, silence, after], axis=1)
    assert highest_window(out, CAP_2_S[0]) <= CAP_2_S[0].limit + 1e-6


def test_what_no_row_tells_counts_as_the_most_that_could_have_been_sent() -> None:
    first = CapStage(OUTPUTS, CAP_2_S)
    before = first.process(loud(1.0)).frames  # and then the power goes, before any row was written
    second = CapStage(OUTPUTS, CAP_2_S, SentHistory((), [Unlogged(0.0, 1.0)]))
    out = np.concatenate([before, second.process(loud(4.0)).frames], axis=1)
    assert highest_window(out, CAP_2_S[0]) <= CAP_2_S[0].limit + 1e-6


@pytest.mark.parametrize("logged_db", [-200.0, -33.0])
@pytest.mark.parametrize("cuts", [[0.0], [0.0, 0.4, 0.9]], ids=["one", "three"])
def test_whatever_the_last_hops_before_cuts_had_is_counted_until_it_leaves_the_window(
    logged_db: float, cuts: list[float]
) -> None:
    (cap,) = CAP_2_S
    bounds, heard = terms(cap), ear_of(cap, OUTPUTS)
    row = SentRow(1.5, 0.5, {heard.key: logged_db})
    ring = seeded(bounds, heard, SentHistory([row], [Unlogged(age_s, 0.3) for age_s in cuts]))
    left = bounds.total - int(np.sum(seeded(bounds, heard, SentHistory([row]))))
    unlogged = sorted(round(10 * age_s) + hop for age_s in cuts for hop in range(3))
    for counted, age in enumerate(unlogged, start=1):
        # The governor gives a hop no more than 1 / knee of what is left: so much may have been sent in so many of them.
        most = left * (1.0 - (1.0 - 1.0 / bounds.knee) ** counted)
        found = int(np.sum(ring[-1 - age :]))
        assert most - 1.0 <= found <= most + counted


@pytest.mark.parametrize("window_s", [1.0, 2.0, 60.0, 900.0])
@pytest.mark.parametrize("now_s", [2.0, 60.0])
@pytest.mark.parametrize("spares", [False, True])
def test_what_no_row_tells_counts_at_the_limits_of_then(window_s: float, now_s: float, *, spares: bool) -> None:
    """Whatever the window of the cap then: what it let through is not counted for less under a stricter one."""
    [then] = expand([CapEntry(quantity="LZeq", window_s=window_s, limit_dbfs=-20.0)])
    [now] = expand([CapEntry(quantity="LZeq", window_s=now_s, limit_dbfs=-40.0)])
    stage = CapStage(OUTPUTS, [then])
    limits = stage.take_tally().limits
    stage.spare(LogLag.ROWS if spares else LogLag.NONE)
    sent = stage.process(loud(2.5)).frames
    time = Unlogged(0.0, 2.5, limits)
    history = SentHistory(spared=[time]) if spares else SentHistory(unlogged=[time])
    bounds = terms(now)
    counted = float(np.sum(seeded(bounds, ear_of(now, OUTPUTS), history))) / HOP_UNITS * bounds.hop_energy
    heard = np.sum(sent, axis=0)[-round(now_s * RATE_HZ) :]
    assert counted >= min(float(np.sum(heard**2)), bounds.hops * bounds.hop_energy)


@pytest.mark.parametrize("quantity", ["LAeq", "LCeq", "LZeq", "LGeq"])
def test_no_more_is_assumed_of_what_no_row_tells_than_the_outputs_can_give(quantity: str) -> None:
    """Over 8 h: nothing that they can play in 2.5 s is more than what is assumed, and it is not twice as much."""
    (cap,) = expand([CapEntry(quantity=quantity, window_s=28_800.0, limit_dbfs=-15.0)])
    bounds, heard = terms(cap), ear_of(cap, OUTPUTS)
    assumed = float(np.sum(seeded(bounds, heard, SentHistory((), [Unlogged(0.0, 2.5)])))) / HOP_UNITS
    time = np.arange(round(2.5 * RATE_HZ)) / RATE_HZ
    loudest = 0.0
    for frequency_hz in (8.0, 20.0, 63.0, 1000.0, 2500.0, 10_000.0):
        square = np.sign(np.sin(2 * np.pi * frequency_hz * time))
        weighted = sps.sosfilt(sections(cap.quantity.weighting, RATE_HZ), np.pad(square, (0, HOP_FRAMES)))
        loudest = max(loudest, float(np.sum((2 * weighted) ** 2)))  # two outputs in phase
    loudest /= bounds.hop_energy
    assert loudest <= assumed < 2.0 * loudest
    assert assumed < 0.5 * (1.0 - (1.0 - 1.0 / bounds.knee) ** 25) * bounds.hops, "which is what the governor lets by"


def test_an_unreadable_log_counts_as_a_budget_used_up() -> None:
    stage = CapStage(OUTPUTS, CAP_2_S, SentHistory(unreadable=True))
    out = stage.process(loud(4.0)).frames
    audible = np.flatnonzero(np.abs(out[0]) > 1e-5)
    assert audible[0] >= 1.9 * RATE_HZ


def test_a_row_from_the_future_counts_as_sent_just_now() -> None:
    # The clock was set back: the age of the row is below 0.
    row = SentRow(-3600.0, 2.0, {"A at place, dBFS, at most": -30.0})
    stage = CapStage(OUTPUTS, CAP_2_S, SentHistory([row]))
    assert np.max(np.abs(stage.process(loud(1.5)).frames)) < 1e-5


def test_it_gives_back_slowly_what_it_has_taken() -> None:
    stage = CapStage(OUTPUTS, CAP_2_S)
    gains_db = []
    for second in range(30):
        stage.process(loud(1.0, 0.1 if second < 6 else 0.002))
        gains_db.append(max(-60.0, stage.reading().governor_db))
    assert min(gains_db) < -10.0
    assert gains_db[-1] > -40.0
    assert np.max(np.diff(gains_db)) <= 1.0 + 1e-9  # 1 dB/s


def test_it_never_cuts() -> None:
    out = CapStage(OUTPUTS, CAP_2_S).process(loud(6.0)).frames[0, RATE_HZ:]
    # A steady tone obeys y[n + 1] = 2 cos(w) y[n] - y[n - 1]; a cut of the tone of 0.3 would leave up to 0.3.
    left = out[2:] - 2 * np.cos(2 * np.pi * 1000 / RATE_HZ) * out[1:-1] + out[:-2]
    assert np.max(np.abs(out)) > 0.001
    assert np.max(np.abs(left)) < 3e-4


def test_where_a_budget_is_used_up_it_turns_down_once_to_what_lasts_until_the_window_has_passed() -> None:
    caps = expand([CapEntry(quantity="LAeq", window_s=60.0, limit_dbfs=-30.0)])
    stage = CapStage(OUTPUTS, caps)
    gains_db = [0.0]
    for _ in range(60):
        stage.process(loud(0.5, 0.05))  # -29 dBFS at each of two outputs, -23 together: 7 dB too loud
        gains_db.append(max(-40.0, stage.reading().governor_db))
    # A knee of 12 hops is left, so 12 hops' energy for the 480 hops until something leaves the window: 16.1 dB less,
    # and 0.13 dB as a bound on what arrives lies above what does.
    assert gains_db[-1] == pytest.approx(-16.25, abs=0.6)
    assert np.ptp(gains_db[30:]) < 0.1


@pytest.mark.parametrize("quantity", ["LAeq", "LCeq", "LZeq", "LKeq"])
def test_a_steady_tone_comes_to_stand_just_below_the_cap(quantity: str) -> None:
    caps = expand([CapEntry(quantity=quantity, window_s=1.0, limit_dbfs=-30.0)])
    stage = CapStage(OUTPUTS, caps)
    stage.process(loud(8.0, 0.1))
    (cap,) = stage.reading().caps
    assert -2.0 < cap.level - cap.limit <= 0.0


def test_a_cap_on_an_output_that_the_piece_does_not_sound_through_is_in_nobodys_way() -> None:
    """The room has it, and room.toml may cap it; the governor still steers for the other caps."""
    entries = [
        CapEntry(quantity="LZeq", window_s=1.0, limit_dbfs=-30.0),
        CapEntry(quantity="LZeq", window_s=1.0, limit_dbfs=-30.0, output="floor"),
        CapEntry(quantity="LCpeak", limit_dbfs=-30.0, output="floor"),
    ]
    caps = expand(entries)
    stage = CapStage({"left": OUTPUTS["left"]}, caps)
    noise = np.random.default_rng(1).normal(0.0, 0.3, (1, 4 * RATE_HZ))
    sent = stage.process(noise).frames
    assert np.max(np.abs(sent)) > 0.0
    running = np.cumsum(np.concatenate(([0.0], sent[0] ** 2)))
    assert 10 * np.log10(np.max(running[RATE_HZ:] - running[:-RATE_HZ]) / RATE_HZ) <= -30.0


@pytest.mark.parametrize("limit_db", [60.0, 100.0])
def test_a_row_written_before_a_cap_was_set_counts_as_at_its_limit(limit_db: float) -> None:
    """A second at the limit is half of a window of two."""
    (cap,) = expand([CapEntry(quantity="LAeq", window_s=2.0, limit_db=limit_db)])
    history = SentHistory([SentRow(age_s=0.0, duration_s=1.0, sent={"C at place, dB": 40.0})])
    ring = seeded(terms(cap), ear_of(cap, OUTPUTS), history)
    assert np.sum(ring) == pytest.approx(terms(cap).total / 2, rel=1e-6)


@pytest.mark.parametrize("quantity", ["LAeq", "LZeq"])
def test_while_nothing_is_written_down_no_hop_uses_more_than_half_of_a_limit(quantity: str) -> None:
    """So that what is sent unseen, over whatever stops and starts, sums up to half of a budget at most."""
    (cap,) = expand([CapEntry(quantity=quantity, window_s=60.0, limit_dbfs=-30.0)])
    stage = CapStage({"left": Output(device_channel=1)}, [cap])
    noise = np.random.default_rng(4).standard_normal((1, 16 * RATE_HZ)) * 0.1
    noise[:, 5 * RATE_HZ : 8 * RATE_HZ] *= np.where(np.arange(3 * RATE_HZ) % 24_000 < 9_000, 8.0, 0.1)
    sent = []
    for second, block in enumerate(np.split(noise, 16, axis=1)):
        stage.spare(LogLag.ROWS if 2 <= second < 12 else LogLag.NONE)
        sent.append(stage.process(block).frames)
    weighting = {"LAeq": Weighting.A, "LZeq": Weighting.Z}[quantity]
    heard = sps.sosfilt(sections(weighting, RATE_HZ), np.concatenate(sent, axis=1)[0])
    hops = 10 * np.log10(np.mean(heard.reshape(-1, HOP_FRAMES) ** 2, axis=1) + 1e-30)
    assert cap.limit - 4.5 < np.max(hops[30:110]) <= cap.limit - 3.0103
    assert np.min(hops[22:50]) > cap.limit - 6.0, "it does not fall silent"
    assert np.max(hops[5:20]) > cap.limit + 5.0, "before, a burst may pass"


@pytest.mark.parametrize("window_s", [2.0, 10.0])
def test_a_power_cut_while_the_disk_takes_nothing_passes_no_limit(window_s: float) -> None:
    """Run after run at full scale, none of whose frames is in the log: only what the governor assumed saves it."""
    (cap,) = expand([CapEntry(quantity="LZeq", window_s=window_s, limit_dbfs=-20.0)])
    noise = np.random.default_rng(5).standard_normal((1, round(0.8 * window_s) * RATE_HZ)) * 0.5
    given: list[Floats] = []
    for run in range(3):
        unseen_s = sum(part.shape[1] for part in given) / RATE_HZ
        stage = CapStage(
            {"left": Output(device_channel=1)}, [cap], SentHistory(spared=[Unlogged(0.0, unseen_s)] if run else [])
        )
        stage.spare(LogLag.ROWS if run < 2 else LogLag.NONE)
        given.append(stage.process(noise).frames)
    power = np.concatenate([part[0] for part in given]) ** 2
    frames = round(window_s * RATE_HZ)
    running = np.cumsum(np.concatenate((np.zeros(frames), power)))
    worst = 10 * np.log10(np.max(running[frames:] - running[:-frames]) / frames)
    assert cap.limit - 1.5 < worst <= cap.limit
