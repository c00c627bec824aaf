from __future__ import annotations

from datetime import UTC, date, datetime
from pathlib import Path

import pytest

from residue.installation.load import Installation, load
from residue.runtime.hours_in_force import HoursInForce
from tests.runtime import kitchen

TUESDAY = date(2026, 3, 3)
NOW = datetime(2026, 3, 3, 0, 30, tzinfo=UTC)
EVENING = 'tue = ["18:00-23:00"]'
REFUSED = "The new hours are refused, and the old ones stay in force. "
MISNAMED = (
    "hours.toml: programme.performances: "
    'There is no performance "secund-batch" in performances/. Did you mean second-batch?'
)
MORNING = 'tue = ["00:00-24:00"]'


@pytest.fixture
def installation(tmp_path: Path) -> Path:
    return kitchen.build(tmp_path, port=47_399, duration_s=1.0)


class Kitchen:
    """A house that looks at its files once a second."""

    def __init__(self, folder: Path) -> None:
        self.log: list[str] = []
        self.in_force = HoursInForce(load(folder), lambda: NOW, lambda kind, text: self.log.append(f"{kind}: {text}"))
        self._second = 0.0

    def wait(self, seconds: int = 6) -> list[Installation]:
        found = []
        for _ in range(seconds):
            self._second += 1.0
            found.append(self.in_force.look(self._second))
        return [taken for taken in found if taken is not None]

    def refused(self) -> str | None:
        return next(iter(self.in_force.alarms), None)

    def opens(self) -> list[str]:
        return [f"{one.opens:%H:%M}" for one in self.in_force.installation.calendar.openings(TUESDAY, 1)]


def save(folder: Path, old: str, new: str) -> None:
    path = folder / "hours.toml"
    path.write_text(path.read_text().replace(old, new))


def test_saved_hours_are_taken_while_it_runs(installation: Path) -> None:
    house = Kitchen(installation)
    save(installation, MORNING, EVENING)
    [taken] = house.wait()
    assert taken is house.in_force.installation
    assert house.opens() == ["18:00"]
    assert house.log == ["hours: The new hours are in force. Closed now; opens Tuesday 03 March 18:00."]


def test_broken_hours_are_refused_with_all_that_is_wrong_and_the_old_ones_stay(installation: Path) -> None:
    house = Kitchen(installation)
    save(installation, MORNING, 'tue = ["18:00-10:00"]')
    save(installation, '"second-batch"', '"secund-batch"')
    assert house.wait() == []
    assert house.opens() == ["00:00"]
    [line] = house.log
    first, second = line.splitlines()
    assert first.startswith("hours: The new hours are refused, and the old ones stay in force. hours.toml: weekly: tue")
    assert second == MISNAMED
    save(installation, 'tue = ["18:00-10:00"]', EVENING)
    house.wait()
    assert house.refused() == (f"The new hours are refused, and the old ones stay in force. {MISNAMED}")
    save(installation, '"secund-batch"', '"second-batch"')
    house.wait()
    assert house.refused() is None
    assert house.opens() == ["18:00"]


def test_all_faults_of_both_files_are_told_at_once(installation: Path) -> None:
    house = Kitchen(installation)
    save(installation, "Europe/Berlin", "Europe/Berln")
    save(installation, MORNING, 'tue = ["18:00-10:00", "10-12"]')
    save(installation, "rest_s = 5", "rest_s = -5")
    save(installation, '"second-batch"', '"secund-batch"')
    (installation / "hours.ics").write_text("the ovens are cold")
    house.wait()
    told = [line.split(": ")[:2] for line in str(house.refused()).removeprefix(REFUSED).splitlines()]
    assert sorted(told) == [
        ["hours.ics", "This is not a whole iCalendar file"],
        ["hours.toml", "programme.performances"],
        ["hours.toml", "programme.rest_s"],
        ["hours.toml", "time_zone"],
        ["hours.toml", "weekly"],
        ["hours.toml", "weekly"],
    ]


def test_a_calendar_file_that_is_put_beside_is_taken(installation: Path) -> None:
    house = Kitchen(installation)
    text = (installation / "hours.toml").read_text()
    weekly = text[text.index("[weekly]") : text.index("[programme]")]
    (installation / "hours.ics").write_text(
        "BEGIN:VCALENDAR\nVERSION:2.0\nPRODID:-//bakery//EN\nBEGIN:VEVENT\nUID:1\nDTSTAMP:20260101T000000Z\n"
        "DTSTART:20260303T120000\nDTEND:20260303T140000\nSUMMARY:Open\nEND:VEVENT\nEND:VCALENDAR\n"
    )
    house.wait()
    assert "Both this file and hours.ics" in str(house.refused())
    save(installation, weekly, "")
    house.wait()
    assert house.opens() == ["12:00"]
    (installation / "hours.ics").unlink()
    house.wait()
    assert "Nothing says when the house is open" in str(house.refused())
    assert house.opens() == ["12:00"]


def test_deleted_hours_are_told_and_the_old_ones_stay(installation: Path) -> None:
    house = Kitchen(installation)
    (installation / "hours.toml").unlink()
    assert house.wait() == []
    assert house.opens() == ["00:00"]
    assert "The file is missing." in str(house.refused())


def test_an_empty_file_is_refused(installation: Path) -> None:
    house = Kitchen(installation)
    (installation / "hours.toml").write_text("")
    assert house.wait() == []
    assert "time_zone: This key is missing." in str(house.refused())
