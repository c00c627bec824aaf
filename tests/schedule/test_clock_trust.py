from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from residue.schedule.calendar import PagedCalendar
from residue.schedule.clock_trust import EARLIEST, ClockTrust, Timekeeping, Witnesses, look, opening_by, witnesses
from residue.schedule.opening import Opening

NOON = datetime(2027, 3, 3, 12, tzinfo=UTC)
TODAY = Opening(NOON - timedelta(hours=2), NOON + timedelta(hours=6), "weekly hours")
CALENDAR = PagedCalendar(ZoneInfo("UTC"), lambda _first, _days: [TODAY])
SET, NOT_SET, NOBODY = (Witnesses(service=service, battery=False) for service in (True, False, None))
BATTERY = Witnesses(service=False, battery=True)


def after(*looks: tuple[float, float, Witnesses], last_known: datetime | None = None) -> Timekeeping:
    """Looks at (seconds of the wall clock after noon, monotonic seconds, witnesses)."""
    known = Timekeeping(last_known=last_known)
    for wall_s, monotonic_s, said in looks:
        known = look(known, NOON + timedelta(seconds=wall_s), monotonic_s, said)
    return known


@pytest.mark.parametrize(
    ("looks", "trust"),
    [
        pytest.param([(0, 0, SET)], ClockTrust.SYNCHRONISED, id="set by a service"),
        pytest.param([(0, 0, NOT_SET)], ClockTrust.UNSURE, id="just started, nobody set it"),
        pytest.param([(0, 0, BATTERY)], ClockTrust.CARRIED, id="kept by a battery"),
        pytest.param([(0, 0, NOBODY)], ClockTrust.CARRIED, id="in a container, whose host keeps the time"),
        pytest.param([(0, 0, SET), (3600, 3600, NOT_SET)], ClockTrust.CARRIED, id="the network is gone"),
        pytest.param([(0, 0, SET), (3601, 3600, NOT_SET)], ClockTrust.CARRIED, id="slewed by a second"),
        pytest.param([(0, 0, SET), (7200, 10, NOT_SET)], ClockTrust.UNSURE, id="stepped forward"),
        pytest.param([(0, 0, SET), (-7200, 10, NOT_SET)], ClockTrust.UNSURE, id="stepped back"),
        pytest.param([(0, 0, SET), (-7200, 10, SET)], ClockTrust.SYNCHRONISED, id="stepped back by a service"),
        pytest.param([(0, 0, BATTERY), (-7200, 10, BATTERY)], ClockTrust.CARRIED, id="set by hand"),
        pytest.param([(0, 0, NOT_SET), (10, 10, NOT_SET)], ClockTrust.UNSURE, id="unsure until somebody sets it"),
        pytest.param([(0, 0, NOT_SET), (9e7, 10, SET)], ClockTrust.SYNCHRONISED, id="set at last"),
    ],
)
def test_the_clock_is_trusted_as_far_as_somebody_vouches_for_it(
    looks: list[tuple[float, float, Witnesses]], trust: ClockTrust
) -> None:
    assert after(*looks).trust is trust


def test_a_battery_that_is_empty_is_found_out() -> None:
    last_week = NOON - timedelta(days=7)
    assert after((0, 0, BATTERY), last_known=last_week).trust is ClockTrust.CARRIED
    assert after((-86400 * 30, 0, BATTERY), last_known=last_week).trust is ClockTrust.UNSURE
    assert look(Timekeeping(), EARLIEST - timedelta(days=1), 0.0, BATTERY).trust is ClockTrust.UNSURE


def test_a_clock_that_is_trusted_goes_by_the_hours() -> None:
    sure = after((0, 0, SET))
    assert opening_by(CALENDAR, sure, NOON, "closed") == TODAY
    assert opening_by(CALENDAR, sure, NOON + timedelta(hours=8), "open") is None


def test_while_the_clock_is_unsure_it_goes_as_the_curator_chose() -> None:
    """The machine comes up in 1970, having last been sure at noon."""
    wrong = datetime(1970, 1, 1, 0, 0, 20, tzinfo=UTC)
    known = look(Timekeeping(last_known=NOON), wrong, 0.0, NOT_SET)
    assert opening_by(CALENDAR, known, wrong, "closed") is None
    opened = opening_by(CALENDAR, known, wrong, "open")
    assert opened is not None
    assert opened.opens <= wrong < opened.closes


def test_the_last_known_time_goes_on_until_the_hours_it_knows_are_over() -> None:
    wrong = datetime(1970, 1, 1, tzinfo=UTC)
    known = Timekeeping(last_known=NOON)
    for hours in range(5):
        now = wrong + timedelta(hours=hours)
        known = look(known, now, hours * 3600.0, NOT_SET)
        opening = opening_by(CALENDAR, known, now, "last known")
        assert opening is not None
        assert opening.closes == wrong + timedelta(hours=6)
    known = look(known, wrong + timedelta(hours=7), 7 * 3600.0, NOT_SET)
    assert opening_by(CALENDAR, known, wrong + timedelta(hours=7), "last known") is None


def test_without_any_last_known_time_it_stays_closed() -> None:
    assert opening_by(CALENDAR, after((0, 0, NOT_SET)), NOON, "last known") is None


def test_the_machine_is_asked_for_its_marks(tmp_path: Path) -> None:
    mark, rtc = tmp_path / "synchronized", tmp_path / "hctosys"
    mark.touch()
    rtc.write_text("1\n")
    assert witnesses(mark, rtc) == Witnesses(service=True, battery=True)
    assert witnesses(mark, tmp_path / "none") == Witnesses(service=True, battery=False)
    mark.unlink()
    assert witnesses(mark, rtc) == Witnesses(service=False, battery=True)
