"""What limits one output lowers the outputs of its kind, and no other."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import numpy as np
import pytest
from numpy.typing import NDArray

from residue.dsp.exact import gain_from_db
from residue.loudness.caps.caps import Cap, CapEntry, expand
from residue.loudness.outputs.calibration import Calibration, VibrationCalibration
from residue.loudness.outputs.outputs import Output
from residue.loudness.plan.arc import under
from residue.loudness.plan.plan import PlannedPerformance, plan
from residue.loudness.plan.profile import profile
from residue.loudness.stage.stage import CapStage

Floats = NDArray[np.float64]
RATE_HZ = 48_000
DAY = date(2026, 3, 2)
HEARD = Calibration(played_dbfs=-20.0, read_dba=74.0, read_dbc=76.0, on=DAY)
SHAKEN = Calibration(played_dbfs=-20.0, read_dba=46.0, read_dbc=60.0, on=DAY)
FELT = VibrationCalibration(played_dbfs=-20.0, read_aw_m_per_s2=2.0, on=DAY)
OUTPUTS = {
    "left": Output(device_channel=1, calibration=HEARD, rise_db_per_s=300.0),
    "right": Output(device_channel=2, calibration=HEARD, rise_db_per_s=300.0),
    "floor": Output(device_channel=3, calibration=SHAKEN, vibration=FELT, transducer="shaker", rise_db_per_s=300.0),
}
VIBRATION = CapEntry(quantity="aw", window_s=10.0, limit_m_per_s2=0.01)
"""At the visitor's place, which only the shaker shakes."""
LOUDNESS = CapEntry(quantity="LCeq", window_s=10.0, limit_db=68.0)


def evening() -> Floats:
    """Twenty seconds, louder in the second half, the three outputs alike in part."""
    rng = np.random.default_rng(3)
    shared, own = rng.standard_normal(20 * RATE_HZ), rng.standard_normal((3, 20 * RATE_HZ))
    rising = np.where(np.arange(20 * RATE_HZ) < 10 * RATE_HZ, 0.02, 0.08)
    made: Floats = (0.5 * shared + own) * rising
    return made


def planned(caps: tuple[Cap, ...], outputs: dict[str, Output] = OUTPUTS) -> PlannedPerformance:
    [found] = plan([("evening", profile([evening()], outputs, caps))], 5.0, caps, outputs).performances
    return found


def as_planned(found: PlannedPerformance) -> Floats:
    each = [[gain_from_db(found.lowering.alone_db.get(name, 0.0))] for name in OUTPUTS]
    made: Floats = evening() * (gain_from_db(found.gain_db) * np.array(each))
    return made


def test_a_cap_on_what_is_felt_lowers_the_shaker_and_no_loudspeaker() -> None:
    found = planned(expand([VIBRATION]))
    assert found.gain_db == 0.0
    assert set(found.lowering.alone_db) == {"floor"}
    assert found.lowering.alone_db["floor"] < -20.0
    assert found.words.startswith("evening: the plan lowers nothing, but floor lowered by ")
    assert "more, for 0.01 m/s² over 10 s" in found.words


@pytest.mark.parametrize(
    "entries",
    [
        pytest.param([VIBRATION], id="felt", marks=pytest.mark.long),
        pytest.param([VIBRATION, LOUDNESS], id="felt and heard"),
    ],
)
def test_nothing_of_what_is_planned_so_is_changed_by_the_stage(entries: list[CapEntry]) -> None:
    caps = expand(entries)
    found = planned(caps)
    stage, free = CapStage(OUTPUTS, caps), CapStage(OUTPUTS, ())
    sound = np.tile(np.pad(as_planned(found), ((0, 0), (0, 5 * RATE_HZ))), 2)
    assert stage.process(sound).frames.tobytes() == free.process(sound).frames.tobytes()
    for near in found.nearest:
        assert 0.0 <= near.headroom_db < 0.5, near.cap.name


def test_what_all_outputs_reach_together_lowers_all_of_them() -> None:
    found = planned(expand([LOUDNESS]))
    assert found.gain_db < -5.0
    assert found.alone == ()
    both = planned(expand([VIBRATION, LOUDNESS]))
    assert both.gain_db == found.gain_db
    felt = planned(expand([VIBRATION]))
    whole_db = both.gain_db + both.lowering.alone_db["floor"]
    assert whole_db == pytest.approx(felt.lowering.alone_db["floor"]), "it is not lowered twice"


def test_loudspeakers_keep_their_balance() -> None:
    found = planned(expand([CapEntry(quantity="LZeq", window_s=10.0, limit_dbfs=-40.0, output="left")]))
    assert found.gain_db == 0.0
    alone_db = found.lowering.alone_db
    assert set(alone_db) == {"left", "right"}
    assert alone_db["left"] == alone_db["right"] < -10.0


def test_an_output_that_is_silent_is_nobodys_measure() -> None:
    caps = expand([CapEntry(quantity="LZeq", window_s=10.0, limit_dbfs=-40.0, output="left")])
    silent = evening() * [[1.0], [1.0], [0.0]]
    [found] = plan([("evening", profile([silent], OUTPUTS, caps))], 5.0, caps, OUTPUTS).performances
    assert found.gain_db < -10.0
    assert found.alone == ()


def test_a_ceiling_lowers_outputs_of_its_kind() -> None:
    low = {**OUTPUTS, "floor": replace_ceiling(OUTPUTS["floor"], -30.0)}
    found = planned((), low)
    assert set(found.lowering.alone_db) == {"floor"}
    assert "the ceiling of -30 dBTP at floor" in found.words


def replace_ceiling(output: Output, ceiling_dbtp: float) -> Output:
    return Output(device_channel=output.device_channel, transducer=output.transducer, ceiling_dbtp=ceiling_dbtp)


def test_a_profile_under_what_is_lowered_alone_is_that_of_the_lowered_sound() -> None:
    caps = expand([VIBRATION, CapEntry(quantity="LZeq", window_s=10.0, limit_dbfs=-40.0, output="left"), LOUDNESS])
    found = replace(planned(caps), gain_db=0.0)
    scaled = under(profile([evening()], OUTPUTS, caps), found.lowering, OUTPUTS)
    again = profile([as_planned(found)], OUTPUTS, caps)
    for row, ear in enumerate(again.ears):
        if ear.only is not None:
            assert scaled.energy[row] == pytest.approx(again.energy[row], rel=1e-6)  # filters carry a noise of -600 dB
        else:
            assert np.all(scaled.energy[row] >= again.energy[row])
    assert scaled.true_peak == pytest.approx(again.true_peak, rel=1e-9)


def test_what_a_shaker_may_not_go_on_with_lowers_no_loudspeaker_in_live_play() -> None:
    """The shaker is 21 dB above its cap over a minute, and no plan knew it."""
    caps = expand([CapEntry(quantity="aw", window_s=60.0, limit_m_per_s2=0.01)])
    stage, free = CapStage(OUTPUTS, caps), CapStage(OUTPUTS, ())
    stage.begin_programme(planned=False)
    sound = np.tile(evening(), 4)
    sent, asked = stage.process(sound).frames, free.process(sound).frames
    assert np.array_equal(sent[:2], asked[:2])
    assert stage.reading().governor_db < -15.0
    (cap,) = stage.reading().caps
    assert 0.0 <= cap.headroom_db < 1.5
