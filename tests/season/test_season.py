"""A season among faults: every row of the watchdog's table, alone and together. See season.py for what must hold."""

from __future__ import annotations

import pytest

from residue.watchdog.checks import CHECKS
from tests.season.faults import FAULTS, START_HANGS
from tests.season.season import Season
from tests.season.side_by_side import all_through, state_folder, through


def test_every_row_of_the_table_has_a_fault() -> None:
    assert {fault.row for fault in (*FAULTS, START_HANGS)} - {None} == {check.name for check in CHECKS}


@pytest.mark.parametrize("after_h", [4, 6, 10])
def test_a_start_that_hangs_is_passed_over_and_another_performance_begins(after_h: int) -> None:
    with state_folder() as folder:
        season = Season(0, 0.0, folder)
        season.later(after_h * 3_600, lambda: season.befall(START_HANGS))
        season.run(0.6)
    recovered = season.account.totals.recovered[START_HANGS.kind]
    assert recovered.times == 1
    assert recovered.worst_s < START_HANGS.bound_s


@pytest.mark.parametrize("seed", [0, pytest.param(1, marks=pytest.mark.long)])
def test_days_full_of_faults_end_in_order_each_time(seed: int) -> None:
    totals = through(seed, 40.0, 1)
    assert sum(took.times for took in totals.recovered.values()) > 15


def test_a_day_without_faults_is_served_from_its_first_second_to_its_last() -> None:
    totals = through(0, 0.0, 2)
    assert totals.missed_s == totals.imposed_s == 0.0
    assert totals.open_s == 2 * 10 * 3_600


@pytest.mark.long
@pytest.mark.parametrize("seed", [5, 21])
def test_looking_at_every_second_comes_to_the_same(seed: int) -> None:
    jumped, stepped = (through(seed, 40.0, 0.25, every_second=every) for every in (False, True))
    assert jumped.open_s == 3 * 3_600
    assert jumped == stepped


@pytest.mark.long
@pytest.mark.timeout(3_000)
def test_two_seasons_of_a_hundred_days() -> None:
    """Ten faults a day. `python -m tests.season --seasons 10 --days 100` goes through a thousand days."""
    totals = all_through(range(100, 102), 10.0, 100)
    assert totals.open_s > 200 * 10 * 3_600
    assert totals.available > 0.9995
