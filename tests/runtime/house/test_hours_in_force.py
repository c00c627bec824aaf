from __future__ import annotations

import shutil
from datetime import UTC, date, datetime
from pathlib import Path

import pytest

from residue.installation.load import Installation, load
from residue.problems import ProblemError
from residue.runtime.house import kept_hours
from residue.runtime.house.hours_in_force import HoursInForce
from residue.runtime.house.kept_hours import load_or_kept
from residue.runtime.journal.in_force import digest_in_force
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
        self.folder, self.state = folder, folder.parent / "state"
        self.start()

    def start(self) -> None:
        """Once more, as after a power cut."""
        loaded = load_or_kept(self.folder, self.state)
        self.in_force = HoursInForce(loaded, self.state, lambda: NOW, self._happened)
        self._second = 0.0

    def _happened(self, kind: str, text: str) -> None:
        self.log.append(f"{kind}: {text}")

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


class PowerCutError(Exception):
    """The power goes."""


def cut(*_: object, **__: object) -> None:
    raise PowerCutError


def save(folder: Path, old: str, new: str) -> None:
    path = folder / "hours.toml"
    path.write_text(path.read_text().replace(old, new))


def test_hours_that_cannot_be_read_at_a_start_leave_the_old_ones_in_force(installation: Path) -> None:
    house = Kitchen(installation)
    (installation / "hours.toml").unlink()
    (installation / "hours.toml").mkdir()  # as unreadable as a file that its owner keeps for himself
    house.start()
    assert house.opens() == ["00:00"]
    assert "The file cannot be read" in str(house.refused())


@pytest.mark.parametrize("number", ["1" * 5000, "0x" + "f" * 5000], ids=["decimal", "hexadecimal"])
def test_a_number_that_is_too_long_is_refused_and_the_old_hours_stay(installation: Path, number: str) -> None:
    house = Kitchen(installation)
    save(installation, "rest_s = 5", f"rest_s = {number}")
    house.wait()
    assert "A whole number has too many digits here." in str(house.refused())
    house.start()
    assert house.opens() == ["00:00"]


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


def test_after_a_power_cut_the_house_goes_by_the_hours_in_force_where_the_files_were_broken_since(
    installation: Path,
) -> None:
    house = Kitchen(installation)
    save(installation, MORNING, EVENING)
    house.wait()
    save(installation, EVENING, 'tue = ["18:00-10:00"]')
    house.start()
    assert house.opens() == ["18:00"]
    assert (house.refused() or "").startswith(REFUSED + "hours.toml: weekly: tue")
    assert house.log[-1] == f"hours: {house.refused()}"
    save(installation, 'tue = ["18:00-10:00"]', 'tue = ["19:00-23:00"]')
    house.wait()
    assert (house.opens(), house.refused()) == (["19:00"], None)
    house.start()
    assert (house.opens(), house.refused()) == (["19:00"], None)


def test_hours_that_are_gone_do_not_keep_the_house_from_starting(installation: Path) -> None:
    house = Kitchen(installation)
    (installation / "hours.toml").unlink()
    house.start()
    assert house.opens() == ["00:00"]
    assert REFUSED in (house.refused() or "")
    assert digest_in_force(house.in_force.installation) == digest_in_force(load_or_kept(installation, house.state))


def test_where_more_than_the_hours_is_broken_all_of_it_is_told(installation: Path) -> None:
    house = Kitchen(installation)
    save(installation, MORNING, 'tue = ["18:00-10:00"]')
    (installation / "room.toml").write_text("", encoding="utf-8")
    with pytest.raises(ProblemError, match=r"(?s)room\.toml.*hours\.toml: weekly: tue"):
        house.start()


def test_a_cut_while_new_hours_are_kept_leaves_the_old_ones_or_the_new(
    installation: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    house = Kitchen(installation)
    cuts = 0
    for call in ("replace_file", "symlink_to", "replace", "rmtree"):
        save(installation, MORNING, EVENING)
        with monkeypatch.context() as patched:
            target = {"replace_file": kept_hours, "rmtree": shutil}.get(call, Path)
            patched.setattr(target, call, cut)
            with pytest.raises(PowerCutError):
                kept_hours.kept(load(installation), house.state)
            cuts += 1
        save(installation, EVENING, 'tue = ["18:00-10:00"]')
        house.start()
        assert house.opens() in (["00:00"], ["18:00"])
        save(installation, 'tue = ["18:00-10:00"]', MORNING)
        house.start()
        assert house.opens() == ["00:00"]
    assert cuts == 4
