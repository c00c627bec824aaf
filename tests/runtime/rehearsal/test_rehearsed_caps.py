from __future__ import annotations

from datetime import UTC, datetime, timedelta
from math import log10

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from residue.loudness.caps.caps import CapEntry, expand
from residue.loudness.caps.ears import Ear
from residue.loudness.meters.hops import HOP_FRAMES
from residue.loudness.meters.weightings import Weighting
from residue.loudness.stage.budget import Budget, terms
from residue.loudness.stage.history import SentHistory
from residue.runtime.rehearsal.rehearsed_caps import CapSound, kept
from residue.runtime.rehearsal.simulation import PlayedStretch

START = datetime(2026, 3, 1, tzinfo=UTC)
[CAP] = expand([CapEntry(quantity="LAeq", window_s=60.0, limit_dbfs=-20.0)])


def steady(level_db: float, duration_s: float) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    return np.full(round(duration_s * 10), 10 ** (level_db / 10) * HOP_FRAMES)


def heard(begins_s: float, from_s: float, to_s: float, trim_db: float = 0.0) -> PlayedStretch:
    return PlayedStretch(
        performance="first-batch", begins=START + timedelta(seconds=begins_s), from_s=from_s, to_s=to_s, trim_db=trim_db
    )


@pytest.mark.parametrize(
    ("played", "level"),
    [
        ([heard(0, 0, 120)], -20.5),
        ([heard(0, 0, 30)], -20.5 + 10 * log10(30 / 60)),
        ([heard(0, 0, 120, trim_db=-6.0)], -26.5),
        ([heard(0, 0, 20), heard(40, 0, 20)], -20.5 + 10 * log10(40 / 60)),
        ([heard(86_390, 0, 10), heard(86_400, 0, 20)], -20.5 + 10 * log10(30 / 60)),
    ],
    ids=["steady", "half a window", "trimmed", "with a rest", "over midnight"],
)
def test_the_level_of_a_window_is_the_mean_of_its_energy(played: list[PlayedStretch], level: float) -> None:
    """IEC 61672-1:2013, 3.10: ten times the logarithm of the mean of the squares over the time."""
    found = kept(CapSound(CAP, {"first-batch": steady(-20.5, 120)}), played, START)
    assert found.highest == pytest.approx(level, abs=0.06)
    assert found.governor_s == 0.0


def test_what_passes_the_cap_is_told_with_its_moment() -> None:
    found = kept(CapSound(CAP, {"first-batch": steady(-19.0, 120)}), [heard(1000, 0, 120)], START)
    assert found.governor_s > 0
    assert found.highest == -19.0
    assert found.highest_at is not None
    assert START + timedelta(seconds=1060) <= found.highest_at <= START + timedelta(seconds=1120)


def test_silence_keeps_every_cap() -> None:
    found = kept(CapSound(CAP, {}), [], START)
    assert (found.highest, found.highest_at, found.governor_s) == (None, None, 0.0)


PLAYED = st.lists(st.tuples(st.integers(0, 1500), st.integers(1, 400)), min_size=1, max_size=12)


@given(PLAYED, st.floats(-24.0, -18.0), st.integers(0, 3))
def test_it_counts_as_the_governor_counts(gaps: list[tuple[int, int]], level_db: float, seed: int) -> None:
    """Hop by hop through the governor's own budget, across what the rehearsal takes day by day."""
    chance = np.random.default_rng(seed)
    energy = steady(level_db, 40) * chance.uniform(0.2, 2.0, 400)
    at, played = 864_000 - 3_000, []
    for gap, length in gaps:
        played.append(heard((at + gap) / 10, 0, length / 10))
        at += gap + length
    budget = Budget(CAP, Ear("place", Weighting.A, physical=False, gains=(1.0,)), SentHistory())
    bounds, acting, clock = terms(CAP), 0, round((played[0].begins - START).total_seconds() * 10)
    for one in played:
        begins = round((one.begins - START).total_seconds() * 10)
        for _ in range(min(begins - clock, bounds.hops)):
            budget.send(0)
        for hop in energy[: round(one.to_s * 10)]:
            units = bounds.units(float(hop))
            acting += bounds.knee * units > budget.left()
            budget.send(units)
        clock = begins + round(one.to_s * 10)
    assert kept(CapSound(CAP, {"first-batch": energy}), played, START).governor_s == pytest.approx(acting / 10)
