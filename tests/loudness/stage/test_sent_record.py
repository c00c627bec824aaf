"""What was sent, as a cap that comes into force later counts it."""

from __future__ import annotations

import numpy as np
import pytest

from residue.loudness.caps.ears import Ear
from residue.loudness.meters.hops import HOP_FRAMES
from residue.loudness.meters.weightings import Weighting
from residue.loudness.stage.budget import HOP_UNITS, Terms, seeded
from residue.loudness.stage.history import SentHistory, SentRow, Unlogged
from residue.loudness.stage.sent_record import BIN_HOPS, RECENT_HOPS, SentRecord

EAR = Ear("place", Weighting.A, physical=False, gains=(1.0,))


@pytest.mark.parametrize("sent", [0, 1, 49, 1_199, 1_200, 1_201, 1_249, 1_250, 5_003])
@pytest.mark.parametrize("hops", [10, 600, 1_200, 3_000])
def test_no_window_counts_less_than_was_sent_and_none_more_than_a_bin_too_much(sent: int, hops: int) -> None:
    energies = np.random.default_rng(sent).uniform(0.0, 1.0, sent)
    record = SentRecord(2, SentHistory())
    for energy in energies:
        record.add(np.array([0.0, energy]))
    ring = record.units(Terms(hops=hops, knee=2, hop_energy=1.0), 1) / HOP_UNITS
    assert len(ring) == hops
    for age in range(1, hops + 1, 7):
        counted, truly = ring[-age:].sum(), energies[max(0, sent - age) :].sum()
        most = energies[max(0, sent - age - BIN_HOPS) :].sum()
        assert truly - 1e-9 <= counted <= most + 1e-2, age
        if age <= RECENT_HOPS - BIN_HOPS:
            assert counted == pytest.approx(truly, abs=1e-2)


def test_an_ear_that_was_not_heard_counts_as_at_the_limit_while_something_was_sent() -> None:
    record = SentRecord(1, SentHistory())
    for energy in (0.0, 1.0, 2.0):
        record.add(np.array([energy]))
    record.listen_to(2)
    record.add(np.array([1.0, 0.5]))
    ring = record.units(Terms(hops=5, knee=2, hop_energy=1.0), 1)
    assert ring.tolist() == [0, 0, HOP_UNITS, HOP_UNITS, HOP_UNITS // 2]


@pytest.mark.parametrize(
    ("history", "age"),
    [
        (SentHistory([SentRow(3.0, 1.0, {EAR.key: -10.0})]), 50),
        (SentHistory((), [Unlogged(0.0, 0.1)]), 20),
        (SentHistory(unreadable=True), 20),
    ],
    ids=["a row", "a time that no row tells", "a log that cannot be read"],
)
def test_the_history_before_the_start_grows_older(history: SentHistory, age: int) -> None:
    record, terms = SentRecord(1, history), Terms(hops=100, knee=2, hop_energy=HOP_FRAMES)
    at_the_start = seeded(terms, EAR, record.before)
    for _ in range(20):
        record.add(np.zeros(1))
    later = seeded(terms, EAR, record.before)
    assert np.flatnonzero(later).tolist() == [99 - age]
    assert np.array_equal(later[:-20], at_the_start[20:])
