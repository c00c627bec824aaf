"""Caps with a margin, at a meter that shares nothing with the project: the limit less the margin is never passed."""

from __future__ import annotations

from datetime import date

import msgspec
import numpy as np
import pytest

from residue.installation.room import Room
from residue.loudness.caps.caps import CapEntry
from residue.loudness.meters.hops import HOP_FRAMES
from residue.loudness.meters.weightings import Weighting
from residue.loudness.outputs.calibration import Calibration, offset_db
from residue.loudness.outputs.measurement import MeasuredWith
from residue.loudness.outputs.outputs import Output
from residue.loudness.plan.plan import plan
from residue.loudness.plan.profile import profile
from residue.loudness.stage.stage import CapStage
from tests.reference.analogue_meter import RATE_HZ, equivalent_db, fast_maximum_db, peak_db

KNOWN = Calibration(played_dbfs=-30.0, read_dba=70.0, read_dbc=72.0, on=date(2026, 3, 2), readings=3, spread_db=0.4)
WINDOW_S = 2.0
CAPS = [
    CapEntry(quantity="LAeq", window_s=WINDOW_S, limit_db=80.0),
    CapEntry(quantity="LCeq", window_s=WINDOW_S, limit_db=84.0),
    CapEntry(quantity="LCpeak", limit_db=100.0),
    CapEntry(quantity="LAFmax", limit_db=86.0),
]


def room(measurement: MeasuredWith | None) -> Room:
    outputs = {"left": Output(device_channel=1, calibration=KNOWN)}
    return Room(place="Kitchen", device="silent", output=outputs, cap=CAPS, measurement=measurement)


def hostile() -> np.ndarray:
    """A minute as no piece is: noise in bursts, low tones, clicks; far too loud, between two silences."""
    rng = np.random.default_rng(5)
    time_s = np.arange(20 * RATE_HZ) / RATE_HZ
    noise = rng.normal(size=time_s.size) * 0.2 * (np.sin(2 * np.pi * 0.21 * time_s) > -0.3)
    tone = 0.4 * np.sin(2 * np.pi * 47.0 * time_s) * (time_s > 9.0)
    signal = noise + tone
    signal[rng.integers(0, signal.size, 40)] += 0.8
    signal[: RATE_HZ // 2] = signal[-RATE_HZ // 2 :] = 0.0
    return signal


def sent_by(stage: CapStage, signal: np.ndarray) -> np.ndarray:
    silence = np.zeros((1, stage.latency_frames))
    padded = np.concatenate([signal[np.newaxis], silence, silence], axis=1)
    hops = [padded[:, at : at + HOP_FRAMES] for at in range(0, padded.shape[1], HOP_FRAMES)]
    sent: np.ndarray = np.concatenate([stage.process(hop).frames for hop in hops], axis=1)[0]
    return sent


def levels_db(sent: np.ndarray) -> dict[str, float]:
    a_db, c_db = (offset_db(KNOWN, weighting, "speaker") for weighting in (Weighting.A, Weighting.C))
    return {
        "LAeq": equivalent_db(sent, "A", WINDOW_S) + a_db,
        "LCeq": equivalent_db(sent, "C", WINDOW_S) + c_db,
        "LCpeak": peak_db(sent, "C") + c_db,
        "LAFmax": fast_maximum_db(sent, "A") + a_db,
    }


@pytest.mark.parametrize("meter_class", [*(pytest.param(one, marks=pytest.mark.long) for one in (None, 1)), 2])
def test_what_is_sent_stays_below_each_limit_less_the_margin(meter_class: int | None) -> None:
    of_meter = {None: None, 1: MeasuredWith(meter_class=1), 2: MeasuredWith(meter_class=2)}[meter_class]
    held, signal = room(of_meter), hostile()
    # 1.65 times the root of the squares: meter 0.7 or 1.5 dB, place 1 dB, spread 0.4 dB by the root of 3.
    assert held.margin_db == {None: 0.4, 1: 2.1, 2: 3.0}[meter_class]
    reached = levels_db(sent_by(CapStage(held.output, held.caps), signal))
    for entry in CAPS:
        assert entry.limit_db is not None
        over_db = reached[str(entry.quantity)] - (entry.limit_db - held.margin_db)
        assert over_db <= 0.0, f"{entry.quantity} {over_db:+.4f} dB"
    used = [reached["LAeq"] - 80.0 + held.margin_db, reached["LCeq"] - 84.0 + held.margin_db]
    assert max(used) > -1.5, "and it is used: otherwise the margin would be larger than it says"


def test_the_caps_are_kept_at_the_loudest_place() -> None:
    """A meter there reads 5 dB(A) and 3 dB(C) more than at the visitor's place, whatever is played."""
    known = msgspec.structs.replace(KNOWN, spread_db=None, loudest_dba=75.0, loudest_dbc=75.0)
    outputs = {"left": Output(device_channel=1, calibration=known)}
    held = Room(place="Kitchen", device="silent", output=outputs, cap=CAPS)
    reached = levels_db(sent_by(CapStage(held.output, held.caps), hostile()))
    there = {name: db + (5.0 if "A" in name else 3.0) for name, db in reached.items()}
    over_db = {entry.quantity: there[str(entry.quantity)] - (entry.limit_db or 0.0) for entry in CAPS}
    assert max(over_db.values()) <= 0.0, over_db
    assert max(over_db["LAeq"], over_db["LCeq"]) > -1.5


def test_a_plan_keeps_the_margin() -> None:
    """The gain of a steady tone that one cap decides is lower by the margin, to a hundredth of a dB."""
    tone = 0.5 * np.sin(2 * np.pi * 1000.0 * np.arange(10 * RATE_HZ) / RATE_HZ)[np.newaxis]
    gains = []
    for measurement in (MeasuredWith(meter_class=1, margin_db=0.0), MeasuredWith(meter_class=2)):
        held = room(measurement)
        found = profile([tone], held.output, held.caps[:1])
        gains.append(plan([("tone", found)], 0.0, held.caps[:1], held.output).performances[0].gain_db)
    assert gains[0] - gains[1] == pytest.approx(3.0 - 0.4, abs=0.011)
