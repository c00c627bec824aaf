"""The dense end of the muscle piece under every published rule: lowered as a whole, its arc kept.

The amplifiers are turned up until the rule would be passed by 6 dB. What is then sent has the shape of what was
performed: the levels over time correlate above 0.99 with those before the cap, which is the bar that the project set
itself, and neither governor nor limiter has anything to do.
"""

from collections.abc import Mapping
from dataclasses import replace
from datetime import date
from pathlib import Path

import msgspec
import numpy as np
import pytest
from numpy.typing import NDArray

from residue.dsp import exact
from residue.installation.load import load
from residue.loudness.caps.caps import Cap, CapEntry, expand
from residue.loudness.caps.rules import RULES
from residue.loudness.meters.hops import HOP_FRAMES
from residue.loudness.outputs.calibration import VibrationCalibration
from residue.loudness.outputs.outputs import Output
from residue.loudness.plan.plan import plan
from residue.loudness.plan.profile import LevelProfile, profile
from residue.loudness.stage.stage import CapStage
from residue.runtime.planning.preparation import open_performance, playback_of, sounding_outputs, steps

pytestmark = pytest.mark.long  # tests/loudness/plan/test_arc.py is quick

Floats = NDArray[np.float64]
NIGHT_DOUGH = Path(__file__).parents[2] / "archives" / "night-dough"
DENSE_S, REST_S = 24, 90.0
TOO_LOUD_DB = 6.0
SHAKEN = VibrationCalibration(played_dbfs=-20.0, read_aw_m_per_s2=0.02, on=date(2026, 3, 2))


def louder(outputs: Mapping[str, Output], by_db: float) -> dict[str, Output]:
    """The same room with its amplifiers turned up."""

    def turned_up(output: Output) -> Output:
        known, felt = output.calibration, output.vibration
        assert known is not None
        read = msgspec.structs.replace(known, read_dba=known.read_dba + by_db, read_dbc=known.read_dbc + by_db)
        shaken = felt and msgspec.structs.replace(felt, read_aw_m_per_s2=felt.read_aw_m_per_s2 * 10 ** (by_db / 20))
        return msgspec.structs.replace(output, calibration=read, vibration=shaken)

    return {name: turned_up(output) for name, output in outputs.items()}


@pytest.fixture(scope="module")
def room() -> dict[str, Output]:
    outputs = dict(sounding_outputs(load(NIGHT_DOUGH)))
    outputs["floor"] = msgspec.structs.replace(outputs["floor"], long_term_dbfs=None, vibration=SHAKEN)
    return outputs


@pytest.fixture(scope="module")
def dense_end(tmp_path_factory: pytest.TempPathFactory) -> Floats:
    """(outputs, frames): the last of the first evening before its closing fade, before the cap."""
    installation = load(NIGHT_DOUGH)
    performance = open_performance(installation, "first-batch", tmp_path_factory.mktemp("cache"))
    sound = np.concatenate([played.outputs for played in steps(playback_of(installation, performance))], axis=1)
    stop = sound.shape[1] - 12 * 48_000
    return sound[:, stop - DENSE_S * 48_000 : stop]


@pytest.fixture(scope="module")
def known(dense_end: Floats, room: dict[str, Output]) -> LevelProfile:
    """Its levels as every rule would hear them."""
    return profile([dense_end], room, expand([CapEntry(rule=rule) for rule in RULES]))


def turned_up_until_too_loud(known: LevelProfile, caps: tuple[Cap, ...], room: Mapping[str, Output]) -> float:
    """By how much the amplifiers have to be turned up for the nearest of some caps to be passed by 6 dB.

    As a cap counts: the most that can arrive at any place. At the visitor's own, a meter would read 1.3 dB(A) less.
    """
    as_it_is = plan([("dense end", known)], REST_S, caps, room).of("dense end")
    return min(near.headroom_db for near in as_it_is.nearest) + as_it_is.gain_db + TOO_LOUD_DB


def per_half_second_db(sound: Floats) -> Floats:
    levels: Floats = 10 * np.log10(np.mean(sound.reshape(len(sound), -1, 24_000) ** 2, axis=2) + 1e-20)
    return levels


@pytest.mark.parametrize("rule", RULES)
def test_the_arc_is_kept(rule: str, dense_end: Floats, known: LevelProfile, room: dict[str, Output]) -> None:
    caps = expand([CapEntry(rule=rule)])
    by_db = turned_up_until_too_loud(known, caps, room)
    outputs = louder(room, by_db)
    gains = np.array([[10 ** (by_db / 10) if ear.physical else 1.0] for ear in known.ears])
    there = replace(known, energy=known.energy * gains, peak=known.peak * np.sqrt(gains))
    found = plan([("dense end", there)], REST_S, caps, outputs).of("dense end")
    alone_db = {name: one.gain_db for one in found.alone for name in one.outputs}
    gains_db = [found.gain_db + alone_db.get(name, 0.0) for name in outputs]
    assert min(gains_db) == pytest.approx(-TOO_LOUD_DB, abs=0.5)
    stage = CapStage(outputs, caps)
    played = exact.gains_from_db(np.array(gains_db))[:, None] * np.pad(dense_end, ((0, 0), (0, 5 * HOP_FRAMES)))
    sent = []
    for hop in np.split(played, played.shape[1] // HOP_FRAMES, axis=1):
        sent.append(stage.process(hop).frames)
        reading = stage.reading()
        assert reading.governor_db == 0.0
        assert reading.limiter_db == 0.0
    heard = np.concatenate(sent, axis=1)[:, stage.latency_frames :][:, : dense_end.shape[1] - 24_000]
    performed = dense_end[:, : heard.shape[1]]
    settled = slice(4, None)  # the onset guard fades in what begins in the middle of a piece
    for before, after, gain_db in zip(per_half_second_db(performed), per_half_second_db(heard), gains_db, strict=True):
        assert np.corrcoef(before[settled], after[settled])[0, 1] > 0.99
        assert np.mean(after[settled] - before[settled]) == pytest.approx(gain_db, abs=0.5)
