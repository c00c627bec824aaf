"""A level profile by arithmetic is what the ears of the governor hear, hop by hop, whatever stands in the room."""

from __future__ import annotations

from datetime import date

import msgspec
import numpy as np
import pytest
from numpy.typing import NDArray

from residue.dsp.delay import DelayLine
from residue.loudness.caps.caps import Cap, CapEntry, expand, protecting_caps
from residue.loudness.caps.ears import ear_of, planned_ears
from residue.loudness.caps.instants import instant_cap
from residue.loudness.caps.listeners import Hearing, Listener
from residue.loudness.meters.hops import HOP_FRAMES
from residue.loudness.meters.weightings import Weighting
from residue.loudness.outputs.calibration import Calibration, VibrationCalibration
from residue.loudness.outputs.outputs import Output
from residue.loudness.plan.output_levels import Measuring
from residue.loudness.plan.profile import profile_of
from residue.loudness.stage import limiter
from residue.loudness.stage.protection import Conditioner

Floats = NDArray[np.float64]
HOPS = 12
LEFT, RIGHT = Output(device_channel=1), Output(device_channel=2, trim_db=-3.0)
FLOOR = Output(device_channel=3, transducer="shaker", trim_db=-1.5, long_term_dbfs=-20.0)


def calibrated(output: Output, read_dba: float) -> Output:
    reading = Calibration(played_dbfs=-20.0, read_dba=read_dba, read_dbc=read_dba + 6.0, on=date(2026, 3, 2))
    felt = VibrationCalibration(
        played_dbfs=-20.0, read_aw_m_per_s2=0.4, read_horizontal_m_per_s2=0.1, on=date(2026, 3, 2)
    )
    return msgspec.structs.replace(
        output, calibration=reading, vibration=felt if output.transducer == "shaker" else None
    )


ROOMS = {
    "as it is": {"left": LEFT, "right": RIGHT, "floor": FLOOR},
    "delayed": {"left": LEFT, "right": Output(device_channel=2, delay_ms=37.0), "floor": FLOOR},
    "long delays": {"left": LEFT, "right": Output(device_channel=2, delay_ms=260.0), "floor": FLOOR},
    "one output": {"left": RIGHT},
    "calibrated": {
        "left": calibrated(LEFT, 71.0),
        "right": calibrated(RIGHT, 69.5),
        "floor": calibrated(FLOOR, 40.0),
    },
}
WINDOWS = [
    CapEntry(quantity="LAeq", window_s=2.0, limit_dbfs=-30.0),
    CapEntry(quantity="LGeq", window_s=1.0, limit_dbfs=-30.0),
    CapEntry(quantity="LKeq", window_s=1.0, limit_dbfs=-30.0, output="left"),
]
MOMENTS = [
    *(CapEntry(quantity="LCpeak", limit_dbfs=limit_db) for limit_db in (-40.0, -8.0, 6.0)),
    CapEntry(quantity="LCpeak", limit_dbfs=-20.0, output="left"),
    CapEntry(quantity="LAFmax", limit_dbfs=-20.0),
]
FELT = [
    CapEntry(rule="who-2022"),
    CapEntry(quantity="VDV", window_s=60.0, limit_m_per_s1_75=2.0),
    CapEntry(quantity="aw horizontal", window_s=60.0, limit_m_per_s2=2.0),
    CapEntry(quantity="LCpeak", limit_db=118.0),
]


def sound(outputs: int) -> Floats:
    """Loud and quiet hops by turns, low tones that break off, and a click."""
    rng = np.random.default_rng(3)
    loudness = np.repeat(rng.choice([0.001, 0.03, 0.4], (outputs, HOPS)), HOP_FRAMES, axis=1)
    played: Floats = rng.standard_normal((outputs, HOPS * HOP_FRAMES)) * loudness
    played[0] += 0.4 * np.sin(np.arange(played.shape[1]) / 450.0) * (np.arange(played.shape[1]) // 9_000 % 3 == 0)
    played[-1, 7_000] += 2.0
    return played


@pytest.mark.parametrize(
    ("room", "entries"),
    [
        pytest.param("as it is", [*WINDOWS, *MOMENTS], id="all"),
        pytest.param("as it is", WINDOWS, id="windows only"),
        pytest.param("delayed", MOMENTS, id="delayed"),
        pytest.param("long delays", MOMENTS, id="long delays"),
        pytest.param("one output", [*WINDOWS, *MOMENTS], id="one output"),
        pytest.param("calibrated", FELT, id="calibrated"),
    ],
)
def test_it_is_what_the_ears_of_the_governor_hear(room: str, entries: list[CapEntry]) -> None:
    """Their Listener takes hop by hop; each hop may fade out as the last one, with silence behind it."""
    outputs, caps = ROOMS[room], expand(entries)
    played, measuring = sound(len(outputs)), Measuring(outputs)
    for block in np.array_split(played, 5, axis=1):
        measuring.take(block)
    found = profile_of(measuring.finished(), outputs, caps)
    expected = stepped(played, outputs, caps)
    moments = [found.row(ear_of(cap, outputs).key) for cap in caps if not cap.quantity.windowed]
    for name, of_ears in expected.items():
        rows = range(len(found.ears)) if name == "energy" else moments
        for row in rows:
            near = 1e-8 * max(1.0, float(np.max(of_ears[row])))  # a trim before a filter rounds otherwise than after it
            assert getattr(found, name)[row] == pytest.approx(of_ears[row], rel=1e-9, abs=near), name


def stepped(played: Floats, outputs: dict[str, Output], caps: tuple[Cap, ...]) -> dict[str, Floats]:
    """(ears, hops) of each field of LevelProfile that depends on ears."""
    ears = planned_ears(outputs, (*caps, *protecting_caps(outputs)))
    places = {ear.key: at for at, ear in enumerate(ears)}
    moments = [instant_cap(cap, places[ear_of(cap, outputs).key]) for cap in caps if not cap.quantity.windowed]
    listen = Listener(ears, moments)
    condition, delay = Conditioner(outputs), DelayLine(len(outputs), limiter.DELAY_FRAMES)
    hearing, rise = Hearing(Weighting, len(outputs)), np.arange(1, HOP_FRAMES + 1) / HOP_FRAMES
    rows: dict[str, list[Floats]] = {"energy": [], "peak": [], "fast": [], "ending_peak": [], "ending_fast": []}
    silence = np.zeros((len(outputs), HOP_FRAMES))
    for number in range(HOPS + 2):
        given = played[:, number * HOP_FRAMES : (number + 1) * HOP_FRAMES] if number < HOPS else silence
        hop = delay(condition(given))
        ending = hearing.copy()
        faded, after = ending(hop * (1.0 - rise), listen)[1], ending(silence, listen)[1]
        heard = hearing(hop, listen)[1]
        for name in ("energy", "peak", "fast"):
            rows[name].append(getattr(heard, name))
        last = number == HOPS + 1
        for name in ("peak", "fast"):
            of_fade, of_silence = getattr(faded, name), getattr(after, name)
            rows[f"ending_{name}"].append(of_fade if last else np.maximum(of_fade, of_silence))
    return {name: np.stack(of_hops, axis=1) for name, of_hops in rows.items()}
