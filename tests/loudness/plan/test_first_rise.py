"""What is foretold of the bound on the first rise is what the stage does."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pytest
from numpy.typing import NDArray

from residue.dsp.exact import gain_from_db
from residue.loudness.meters.hops import HOP_FRAMES, HOP_S
from residue.loudness.outputs.outputs import Output
from residue.loudness.plan.first_rise import LoweredRise, lowered_rises
from residue.loudness.plan.plan import PlannedPerformance
from residue.loudness.plan.profile import profile
from residue.loudness.stage.protection import SILENCE_S, Conditioner
from residue.loudness.stage.stage import CapStage

OUTPUTS = {
    "left": Output(device_channel=1),
    "floor": Output(device_channel=2, transducer="shaker", rise_db_per_s=20.0, delay_ms=30.0),
}
RATE_HZ = 48_000
TONE = 0.3 * np.sin(2 * np.pi * 60 * np.arange(20 * HOP_FRAMES) / RATE_HZ)
SILENCE = np.zeros(round((SILENCE_S + 1) * RATE_HZ))

Floats = NDArray[np.float64]


def foretold(signals: Floats, gain_db: float = 0.0, knots_db: tuple[float, ...] = ()) -> list[LoweredRise]:
    blocks: Iterator[Floats] = iter(np.array_split(signals, 7, axis=1))
    planned = PlannedPerformance("first-batch", gain_db, "", (), knots_db)
    return list(lowered_rises(profile(blocks, OUTPUTS, ()), planned, OUTPUTS))


@pytest.mark.parametrize("gain_db", [0.0, -12.0])
def test_what_the_stage_lowers_is_foretold_with_output_time_and_amount(gain_db: float) -> None:
    both = np.tile(np.concatenate([TONE, SILENCE, TONE, SILENCE]), (2, 1))
    stage, gain = CapStage(OUTPUTS, ()), gain_from_db(gain_db)
    late = stage.latency_frames
    sent = stage.process(np.pad(both * gain, ((0, 0), (0, late)))).frames[:, late:]
    hops = [x.reshape(2, -1, HOP_FRAMES) for x in (Conditioner(OUTPUTS)(both * gain), sent)]
    energy, left = (np.sum(x**2, axis=2) for x in hops)
    told = foretold(both, gain_db)
    assert [one.output for one in told] == ["left", "left", "floor", "floor"]
    for one in told:
        row, within = list(OUTPUTS).index(one.output), slice(round(one.start_s / HOP_S), round(one.stop_s / HOP_S))
        lowered_db = 10 * np.log10(energy[row, within] / left[row, within])
        assert np.max(lowered_db) == pytest.approx(one.most_db, abs=2.0)  # the gain moves within the hops
        assert np.all(lowered_db > 0.0)


def test_times_and_words_are_those_of_the_silence_before_and_of_a_shape() -> None:
    left = np.concatenate([TONE, SILENCE, TONE])
    told = foretold(np.stack([left, 0.0 * left]))
    assert [one.start_s for one in told] == [0.0, 8.0]
    assert told[1].words.startswith("Output left is lowered by up to 4")
    assert "from 0:08.0 to 0:08." in told[1].words
    assert foretold(np.stack([left, 0.0 * left]), knots_db=(-6.0,))[1].most_db < told[1].most_db - 5.9


def test_nothing_is_told_of_a_slow_beginning_or_of_beats_within_it() -> None:
    swell = 10 ** (np.linspace(-80.0, -10.0, 4 * RATE_HZ) / 20) * np.resize(TONE / 0.3, 4 * RATE_HZ)
    beats = np.concatenate([swell, *[np.concatenate([0.0 * TONE, TONE])] * 4])
    assert foretold(np.stack([beats, beats])) == []
