from __future__ import annotations

import numpy as np
import pytest

from residue.loudness.caps.caps import PLACE, CapEntry, expand
from residue.loudness.caps.ears import ears
from residue.loudness.meters.weightings import Weighting
from residue.loudness.outputs.outputs import Output
from residue.loudness.plan.profile import LevelProfile
from residue.runtime.rehearsal.planned_sounds import cap_sound_of, sound_of
from tests.loudness.plan.level_profiles import of_energy

OUTPUTS = {"left": Output(device_channel=1), "right": Output(device_channel=2)}
CAPS = expand([CapEntry(quantity="LCeq", window_s=60.0, limit_dbfs=-20.0)])
EARS = ears(OUTPUTS, CAPS)


def level_profile() -> LevelProfile:
    """Half a minute in which each ear receives another, steady, energy: the number of its row, plus one."""
    energy = np.repeat(np.arange(1.0, len(EARS) + 1.0)[:, None], 300, axis=1)
    return of_energy(EARS, energy)


def row(at: str, weighting: Weighting, *, of_cap: bool = False) -> float:
    wanted = (at, weighting, of_cap)
    return next(n + 1.0 for n, ear in enumerate(EARS) if (ear.at, ear.weighting, ear.spread_s is not None) == wanted)


def test_exposure_is_a_weighted_at_the_visitors_place_and_lowered_by_the_plan() -> None:
    sound = sound_of(level_profile(), power=0.25)
    assert sound.duration_s == 30.0
    assert sound.between(0.0, 30.0) == pytest.approx(300 * row(PLACE, Weighting.A) * 0.25 / 48_000)
    assert sound.between(10.0, 20.0) == pytest.approx(sound.between(0.0, 30.0) / 3)


def test_a_cap_listens_with_its_own_weighting() -> None:
    sound = cap_sound_of(CAPS[0], {"first-batch": level_profile()}, {"first-batch": 0.25}, OUTPUTS)
    assert np.array_equal(sound.energy["first-batch"], np.full(300, row(PLACE, Weighting.C, of_cap=True) * 0.25))
