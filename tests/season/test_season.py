"""A season among faults: every row of the watchdog's table, alone and together. See season.py for what must hold."""

from __future__ import annotations

from pathlib import Path

import pytest

from residue.watchdog.checks import CHECKS
from tests.season.faults import FAULTS
from tests.season.season import Season


def through(seed: int, faults_a_day: float, days: float, folder: Path, *, every_second: bool = False) -> Season:
    """A season that was survived; one that was not names its seed."""
    season = Season(seed, faults_a_day, folder, every_second=every_second)
    try:
        season.run(days)
    except AssertionError as error:
        again = f"python -m tests.season --days {days} --seed {seed} --faults-a-day {faults_a_day:g}"
        raise AssertionError(f"{error}\nAgain with: {again}") from error
    return season


def test_every_row_of_the_table_has_a_fault() -> None:
    assert {fault.row for fault in FAULTS} - {None} == {check.name for check in CHECKS}


@pytest.mark.parametrize("seed", range(2))
def test_days_full_of_faults_end_in_order_each_time(seed: int, tmp_path: Path) -> None:
    season = through(seed, 40.0, 1, tmp_path)
    assert sum(took.times for took in season.account.recovered.values()) > 15


def test_a_day_without_faults_is_served_from_its_first_second_to_its_last(tmp_path: Path) -> None:
    season = through(0, 0.0, 2, tmp_path)
    assert season.account.missed_s == season.account.imposed_s == 0.0
    assert season.account.open_s == 2 * 36_000


def test_looking_at_every_second_comes_to_the_same(tmp_path: Path) -> None:
    found = []
    for every_second in (False, True):
        folder = tmp_path / str(every_second)
        folder.mkdir()
        season = through(5, 40.0, 0.25, folder, every_second=every_second)
        account = season.account
        assert account.open_s > 2.5 * 3_600
        found.append((account.open_s, account.imposed_s, account.missed_s, account.recovered))
    jumped, stepped = found
    assert jumped == stepped


@pytest.mark.machine
@pytest.mark.timeout(3_000)
@pytest.mark.parametrize("seed", range(100, 110))
def test_a_thousand_days_in_ten_seasons(seed: int, tmp_path: Path) -> None:
    season = through(seed, 10.0, 100, tmp_path)
    assert season.account.available > 0.9995
