"""A curator who sees one folder: saves into it, and reads the answer."""

from __future__ import annotations

import os
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from residue.problems import ProblemError
from residue.runtime.house.hours_answer import HoursAnswer
from residue.runtime.house.in_force import InForce
from residue.runtime.house.kept_files import load_in_force
from residue.schedule.expansion import expanded
from residue.schedule.hours_folder import ANSWER, ANSWER_CALENDAR
from tests.runtime import kitchen

NOW = datetime(2026, 3, 3, 0, 30, tzinfo=UTC)


class Shared:
    """A house with a folder for its curator, which looks once a second."""

    def __init__(self, tmp_path: Path) -> None:
        self.installation, self.folder = kitchen.build(tmp_path, port=47_399, duration_s=1.0), tmp_path / "shared"
        self.folder.mkdir()
        (self.installation / "hours.toml").rename(self.folder / "hours.toml")
        kitchen.name_hours_folder(self.installation, self.folder)
        self.now, self.state, self._second = NOW, tmp_path / "state", 0.0
        self.answer = HoursAnswer()
        self.start()

    def start(self, *, by_person: bool = True) -> None:
        loaded = load_in_force(self.installation, self.state, by_person=by_person)
        self.in_force = InForce(loaded, self.state, lambda: self.now, lambda *_: None)

    def wait(self, seconds: int = 6) -> None:
        for _ in range(seconds):
            self._second += 1.0
            change = self.in_force.look(self._second)
            if change is not None:
                self.in_force.take(change)
            self.answer.look(self.in_force(), self.in_force.hours_outcome, self.now)

    def save(self, old: str, new: str) -> None:
        path = self.folder / "hours.toml"
        path.write_text(path.read_text().replace(old, new))

    def read(self) -> str:
        return (self.folder / ANSWER).read_bytes().decode().replace("\r\n", "\n")


@pytest.fixture
def shared(tmp_path: Path) -> Shared:
    return Shared(tmp_path)


def test_the_answer_follows_what_is_saved_in_the_folder(shared: Shared) -> None:
    shared.wait()
    assert "TAKEN" in shared.read()
    assert "- Tue 03 Mar 2026  00:00 to 24:00" in shared.read()

    shared.save('tue = ["00:00-24:00"]', 'tue = ["18:00-09:00", "10:00"]')
    shared.wait()
    assert "REFUSED" in shared.read()
    assert "hours.toml: weekly: tue" in shared.read()
    assert "- Tue 03 Mar 2026  00:00 to 24:00" in shared.read(), "the ones before stay in force"

    shared.save('"18:00-09:00", "10:00"', '"18:00-23:00"')
    shared.wait()
    assert "TAKEN" in shared.read()
    assert "- Tue 03 Mar 2026  18:00 to 23:00" in shared.read()


def test_the_calendar_of_the_answer_read_back_gives_the_same_hours(shared: Shared) -> None:
    shared.wait()
    calendar = shared.in_force().calendar
    back = expanded(shared.folder / ANSWER_CALENDAR, calendar.zone)
    today = NOW.date()
    assert [(one.opens, one.closes) for one in back.everyday(today, 60)] == [
        (one.opens, one.closes) for one in calendar.openings(today, 60)
    ]


def test_nothing_is_written_as_long_as_nothing_changes_and_again_on_the_next_day(shared: Shared) -> None:
    shared.wait()
    before = [(shared.folder / name).stat().st_ino for name in (ANSWER, ANSWER_CALENDAR)]
    shared.now += timedelta(hours=3)
    shared.wait()
    assert [(shared.folder / name).stat().st_ino for name in (ANSWER, ANSWER_CALENDAR)] == before
    shared.now += timedelta(days=1)
    shared.wait(1)
    assert "- Wed 04 Mar 2026" in shared.read()
    assert "- Tue 03 Mar 2026" not in shared.read()


def test_an_answer_that_somebody_removed_is_written_again(shared: Shared) -> None:
    shared.wait()
    (shared.folder / ANSWER).unlink()
    shared.wait(1)
    assert "TAKEN" in shared.read()


def test_files_of_nearly_the_name_are_pointed_out(shared: Shared) -> None:
    for name in ("Hours.toml", "hours.toml.txt", ".DS_Store"):
        (shared.folder / name).write_text("")
    shared.wait()
    assert "Not read, as their names are others than hours.toml and hours.ics:\n- Hours.toml\n- hours.toml.txt\n" in (
        shared.read()
    )


def test_a_name_that_is_no_text_or_breaks_the_line_forges_no_answer(shared: Shared) -> None:
    for name in (b"hours\xff.toml", b"a\nTAKEN. b"):
        (shared.folder / os.fsdecode(name)).write_text("")
    shared.wait()
    assert shared.answer.alarm is None
    assert "\n- a?TAKEN. b\n- hours?.toml\n" in shared.read()


def test_a_folder_that_goes_away_is_an_alarm_and_closes_nothing(shared: Shared, tmp_path: Path) -> None:
    shared.wait()
    shared.folder.rename(tmp_path / "away")
    shared.wait()
    assert "cannot be written: No such file or directory" in str(shared.answer.alarm)
    assert "The file is missing" in str(shared.in_force.alarms)
    assert shared.in_force().calendar.opening_at(NOW) is not None
    shared.start(by_person=False)  # after a power cut, too
    assert shared.in_force().calendar.opening_at(NOW) is not None
    (tmp_path / "away").rename(shared.folder)
    shared.wait()
    assert shared.answer.alarm is None
    assert "TAKEN" in shared.read()


def test_a_folder_with_the_installation_in_it_is_refused(shared: Shared) -> None:
    room = shared.installation / "room.toml"
    for path in (shared.installation, shared.installation / "hours", shared.installation.parent):
        room.write_text(room.read_text().replace(str(shared.in_force().room.hours_folder.path), str(path)))  # type: ignore[union-attr]
        with pytest.raises(ProblemError, match="who shares it could raise caps"):
            load_in_force(shared.installation, shared.state.with_name("other"), by_person=True)
        room.write_text(room.read_text().replace(f'path = "{path}"', f'path = "{shared.folder}"'))


def test_a_house_without_such_a_folder_writes_nothing(tmp_path: Path) -> None:
    installation = kitchen.build(tmp_path, port=47_399, duration_s=1.0)
    loaded = load_in_force(installation, tmp_path / "state", by_person=True)
    in_force = InForce(loaded, tmp_path / "state", lambda: NOW, print)
    HoursAnswer().look(in_force(), in_force.hours_outcome, NOW)
    assert not (installation / ANSWER).exists()
