"""What no plan foresees is spent at a rate that lasts: no silence, no pumping, and still within every window.

First at the level of budgets, where a hop is one energy; then through the whole cap stage.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from numpy.typing import NDArray

from residue.dsp.exact import gain_from_db
from residue.loudness.caps.caps import CapEntry, expand
from residue.loudness.caps.ears import MARGIN_DB, ear_of
from residue.loudness.meters.hops import HOP_FRAMES
from residue.loudness.meters.weightings import Weighting
from residue.loudness.outputs.outputs import Output
from residue.loudness.plan.plan import plan
from residue.loudness.plan.profile import profile
from residue.loudness.stage.budget import HOP_UNITS, Budget
from residue.loudness.stage.history import SentHistory, SentRow
from residue.loudness.stage.lasting import Lasting
from residue.loudness.stage.stage import LATENCY_FRAMES, CapStage

Floats = NDArray[np.float64]
RATE_HZ = 48_000
HALL = {"hall": Output(device_channel=1, rise_db_per_s=300.0)}
LIMIT_DBFS = -30.0
RECOVERY_DB = 0.1
"""What the governor gives back in a hop: 1 dB/s."""


def budget(window_s: float, history: SentHistory | None = None) -> Budget:
    (cap,) = expand([CapEntry(quantity="LZeq", window_s=window_s, limit_dbfs=LIMIT_DBFS)])
    return Budget(cap, ear_of(cap, HALL), history or SentHistory())


def sent_of(asked: Callable[[int], float], spent: Budget, hops: int) -> Floats:
    """(hops,): the energy that comes of what is asked for hop by hop, 1 = at the limit: the law, and the promise."""
    lasting, gain_power, sent = Lasting(spent), 1.0, np.zeros(hops)
    for hop in range(hops):
        units = round(asked(hop) * HOP_UNITS)
        promised = max(0.0, spent.left() / spent.terms.knee - 1.0) / max(units, 1)
        gain_power = min(1.0, gain_power * 10 ** (RECOVERY_DB / 10), lasting.gain_power(units), promised)
        spent.send(int(units * gain_power))
        sent[hop] = int(units * gain_power) / HOP_UNITS
    return sent


def window_levels_db(energies: Floats, hops: int) -> Floats:
    """The level of every window of so many whole hops, against the limit."""
    run = np.cumsum(np.concatenate(([0.0], energies)))
    levels: Floats = 10 * np.log10((run[hops:] - run[:-hops]) / hops)
    return levels


@pytest.mark.parametrize("window_s", [1.0, 1.5, 10.0, 900.0, pytest.param(28_800.0, marks=pytest.mark.long)])
@pytest.mark.parametrize("excess_db", [1.0, 3.0, 10.0])
def test_a_steady_level_above_the_limit_settles_just_below_it(window_s: float, excess_db: float) -> None:
    hops = round(10 * window_s)
    sent = sent_of(lambda _: 10 ** (excess_db / 10), budget(window_s), 3 * hops)
    windows_db, sent_db = window_levels_db(sent, hops), 10 * np.log10(sent)
    assert np.max(windows_db) <= 0.0
    assert np.min(windows_db[-hops:]) >= -0.5, "settled"
    assert np.min(sent_db) >= -1.0, "it is never turned down further than a level at the limit needs"
    assert np.max(np.abs(np.diff(sent_db[hops:]))) <= 1.2 * RECOVERY_DB, "pumping"


def test_a_short_loud_passage_after_a_quiet_one_is_left_alone() -> None:
    """Half a minute 3 dB above a cap over a quarter of an hour, which has room for it."""
    asked = np.full(9000, 0.1)
    asked[6000:6300] = 2.0
    assert np.array_equal(sent_of(lambda hop: asked[hop], budget(900.0), 9000), np.round(asked * HOP_UNITS) / HOP_UNITS)


def test_loud_and_quiet_minutes_come_to_the_limit_on_the_mean() -> None:
    """6 dB too loud every other minute: lowered by about as much as all of it needs, 3 dB, and not minute by minute."""
    sent = sent_of(lambda hop: 4.0 if hop // 600 % 2 else 0.05, budget(900.0), 27_000)
    assert np.min(window_levels_db(sent, 9000)[-9000:]) >= -1.0
    loud_db = 10 * np.log10(sent[-9000:][np.arange(18_000, 27_000) // 600 % 2 == 1] / 4.0)
    assert np.ptp(loud_db) < 3.0


def test_what_is_left_after_a_restart_is_made_to_last() -> None:
    """Half of the budget went just before the start: the rest is spent over what is left of the window, not at once."""
    row = SentRow(age_s=0.0, duration_s=45.0, sent={"Z at place, dBFS, at most": LIMIT_DBFS})
    sent = sent_of(lambda _: 2.0, budget(90.0, SentHistory([row])), 2700)
    assert np.min(10 * np.log10(sent)) >= 10 * np.log10(0.5) - 1.0
    assert np.min(window_levels_db(sent, 900)[-900:]) >= -0.5


def tone(seconds: float, level_dbfs: float, frequency_hz: float = 1000.0) -> Floats:
    made = np.sin(2 * np.pi * frequency_hz * np.arange(round(seconds * RATE_HZ)) / RATE_HZ)
    wave: Floats = 2**0.5 * 10 ** (level_dbfs / 20) * made[np.newaxis]
    return wave


def levels_db(sent: Floats, window_s: float) -> Floats:
    """The level of every window at every sample, against the limit."""
    run, frames = np.cumsum(np.concatenate(([0.0], sent[0] ** 2))), round(window_s * RATE_HZ)
    levels: Floats = 10 * np.log10((run[frames:] - run[:-frames]) / frames + 1e-30) - LIMIT_DBFS
    return levels


def hops_db(sent: Floats) -> Floats:
    levels: Floats = 10 * np.log10(np.mean(sent[0].reshape(-1, HOP_FRAMES) ** 2, axis=1) + 1e-30) - LIMIT_DBFS
    return levels


def stage(window_s: float, quantity: str = "LZeq") -> CapStage:
    return CapStage(HALL, expand([CapEntry(quantity=quantity, window_s=window_s, limit_dbfs=LIMIT_DBFS)]))


@pytest.mark.parametrize("quantity", ["LAeq", "LZeq"])  # at 1 kHz no weighting changes anything: IEC 61672-1:2013
@pytest.mark.parametrize(("window_s", "excess_db"), [(1.0, 10.0), (10.0, 3.0)])
def test_what_is_played_live_is_never_silenced(quantity: str, window_s: float, excess_db: float) -> None:
    live = stage(window_s, quantity)
    live.begin_programme(planned=False)
    sent = live.process(tone(3 * window_s + 3.0, LIMIT_DBFS + excess_db)).frames[:, 2 * HOP_FRAMES + LATENCY_FRAMES :]
    assert np.max(levels_db(sent, window_s)) <= 1e-6
    assert np.min(levels_db(sent, window_s)[-RATE_HZ:]) >= -0.5 - MARGIN_DB[Weighting.A]
    assert np.min(hops_db(sent[:, : sent.shape[1] // HOP_FRAMES * HOP_FRAMES])) >= -1.5
    assert live.reading().cut_hops == 0


def test_performances_that_are_skipped_again_and_again_never_use_a_budget_up() -> None:
    """Each is within its plan, and its beginning is what is loud: 4 dB above the cap."""
    skipping, sent = stage(20.0), []
    for turn in range(12):
        skipping.begin_programme(in_order=turn == 0)
        sent.append(skipping.process(tone(5.0, LIMIT_DBFS + 4.0)).frames)
    out = np.concatenate(sent, axis=1)[:, RATE_HZ:]
    assert np.max(levels_db(out, 20.0)) <= 1e-6
    assert np.min(hops_db(out)) >= -4.0, "of the first, a quarter of the window, more was sent than may last"


def test_a_plan_that_proves_wrong_lets_no_silence_come_of_it() -> None:
    """1 dB above the cap: what is left when that shows is made to last, and after a window it comes to the limit."""
    wrong = stage(10.0)
    wrong.begin_programme()
    sent = wrong.process(tone(50.0, LIMIT_DBFS + 1.0)).frames[:, RATE_HZ:]
    assert np.max(levels_db(sent, 10.0)) <= 1e-6
    assert np.min(hops_db(sent)) >= -20.0
    assert np.min(hops_db(sent)[-50:]) >= -0.6


def quiet_and_loud() -> Floats:
    """Twelve seconds, loud in the last three."""
    shape = np.where(np.arange(12 * RATE_HZ) < 9 * RATE_HZ, 0.05, 1.0)
    noise: Floats = np.random.default_rng(11).standard_normal((1, 12 * RATE_HZ)) * shape
    return noise


def planned() -> Floats:
    """The same, four times over, at the gain of its plan under a cap over 10 s."""
    performance = quiet_and_loud()
    caps = expand([CapEntry(quantity="LZeq", window_s=10.0, limit_dbfs=LIMIT_DBFS)])
    known = profile([performance], HALL, caps)
    lowered: Floats = performance * gain_from_db(plan([("evening", known)], 0.0, caps, HALL).gain_db("evening"))
    return np.tile(lowered, 4)


def test_a_planned_performance_is_not_changed_by_a_bit() -> None:
    performance = planned()
    capped, free = stage(10.0), CapStage(HALL, ())
    capped.begin_programme()
    assert capped.process(performance).frames.tobytes() == free.process(performance).frames.tobytes()
    (cap,) = capped.reading().caps
    assert max(levels_db(performance, 10.0)) > -1.0, "and it comes near its cap"
    assert cap.headroom_db >= 0.0


def test_a_cap_is_left_to_the_plan_again_once_its_window_holds_nothing_unforeseen() -> None:
    performance = planned()
    skipped, free = stage(10.0), CapStage(HALL, ())
    skipped.begin_programme(in_order=False)
    sent, wanted = skipped.process(performance).frames, free.process(performance).frames
    assert not np.array_equal(sent, wanted)
    after = slice(24 * RATE_HZ, None)  # two of its loud parts: the window, and the way back at 1 dB/s
    assert np.array_equal(sent[:, after], wanted[:, after])


def test_stricter_caps_are_kept_and_made_to_last_in_what_is_played_live() -> None:
    live = stage(10.0, "LAeq")
    live.begin_programme(planned=False)
    live.process(tone(20.0, LIMIT_DBFS + 3.0))
    live.tighten(HALL, expand([CapEntry(quantity="LAeq", window_s=10.0, limit_dbfs=LIMIT_DBFS - 6.0)]))
    sent = live.process(tone(90.0, LIMIT_DBFS + 3.0)).frames[:, 12 * RATE_HZ :]
    assert np.max(levels_db(sent, 10.0)) <= -6.0 + 1e-6
    assert np.min(levels_db(sent, 10.0)[-RATE_HZ:]) >= -6.5
