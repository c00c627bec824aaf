"""How much of the open time has rows, reckoned by hand."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

from residue.runtime.journal.reading import Logged
from residue.runtime.journal.tallies import Tallies
from residue.runtime.report.coverage import coverage, together
from residue.runtime.system.clock import Uptime
from tests.runtime.tallied import THEN, tally

OPENS = datetime(2026, 12, 3, 9, 0, tzinfo=UTC)


def minutes(*spans: tuple[int, int]) -> Logged:
    """Rows of a minute from one minute after the opening to another."""
    rows = []
    for begins, ends in spans:
        for minute in range(begins, ends):
            tallies = Tallies()
            end = OPENS + timedelta(minutes=minute + 1)
            rows += list(tallies.rows(tally(60.0, -200.0), end, Uptime("", 0.0), THEN))
    return Logged(minutes=rows)  # type: ignore[arg-type]


def after(minute: float) -> datetime:
    return OPENS + timedelta(minutes=minute)


def test_all_is_covered_by_rows_that_follow_each_other() -> None:
    found = coverage([(OPENS, after(60))], minutes((-5, 65)), after(600))
    assert (found.percent, found.gaps) == (100.0, [])


def test_a_gap_counts_and_is_named() -> None:
    found = coverage([(OPENS, after(60))], minutes((0, 20), (35, 58)), after(600))
    assert found.gaps == [(after(20), after(35)), (after(58), after(60))]
    assert found.percent == 71.6  # 43 of 60 min are 71.67 %, rounded down
    assert found.words == "The log covers 71.6 % of the open time: 0.72 of 1.00 h."


def test_open_time_to_come_is_not_missed() -> None:
    found = coverage([(OPENS, after(60)), (after(90), after(120))], minutes((0, 30)), after(30))
    assert (found.percent, found.open_s) == (100.0, 1800.0)


def test_without_open_time_there_is_no_share() -> None:
    assert coverage([], minutes((0, 30)), after(60)).percent is None


def test_days_add_up() -> None:
    one = coverage([(OPENS, after(10))], minutes((0, 10)), after(60))
    other = coverage([(after(20), after(30))], minutes(), after(60))
    assert together([one, other]).percent == 50.0
