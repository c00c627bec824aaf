from __future__ import annotations

import os
import shutil
from datetime import UTC, date, datetime
from pathlib import Path

import pytest

from residue.installation.load import Installation, load
from residue.loudness.caps.caps import expand
from residue.problems import ProblemError, stopping
from residue.runtime.house import in_force, kept_files
from residue.runtime.house.in_force import RESTART, Change, InForce
from residue.runtime.house.kept_files import load_in_force
from residue.runtime.journal.in_force_digest import digest_in_force
from residue.runtime.planning.planning import sources
from residue.schedule import expansion
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

    def start(self, *, by_person: bool = False) -> None:
        """Once more, as after a power cut."""
        loaded = load_in_force(self.folder, self.state, by_person=by_person)
        self.in_force = InForce(loaded, self.state, lambda: NOW, self._happened)
        self._second = 0.0

    def _happened(self, kind: str, text: str) -> None:
        self.log.append(f"{kind}: {text}")

    def wait(self, seconds: int = 6) -> list[Change]:
        found = []
        for _ in range(seconds):
            self._second += 1.0
            change = self.in_force.look(self._second)
            if change is not None:
                self.in_force.take(change)
                found.append(change)
        return found

    def refused(self) -> str | None:
        return next(iter(self.in_force.alarms), None)

    def opens(self) -> list[str]:
        return [f"{one.opens:%H:%M}" for one in self.in_force().calendar.openings(TUESDAY, 1)]


class PowerCutError(Exception):
    """The power goes."""


def cut(*_: object, **__: object) -> None:
    raise PowerCutError


def save(folder: Path, old: str, new: str, file: str = "hours.toml") -> None:
    path = folder / file
    assert old in path.read_text()
    path.write_text(path.read_text().replace(old, new))


def test_hours_that_cannot_be_read_at_a_start_leave_the_old_ones_in_force(installation: Path) -> None:
    house = Kitchen(installation)
    (installation / "hours.toml").unlink()
    (installation / "hours.toml").mkdir()  # as unreadable as a file that its owner keeps for himself
    house.start()
    assert house.opens() == ["00:00"]
    house.wait()
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
    assert (taken.hours, taken.limits) == (True, False)
    assert taken.installation is house.in_force()
    assert house.opens() == ["18:00"]
    assert house.log == ["hours: The new hours are in force. Closed now; opens Tuesday 03 March 18:00."]


def test_hours_that_are_saved_again_while_they_are_taken_are_kept_as_they_were_checked(
    installation: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    house = Kitchen(installation)
    save(installation, MORNING, EVENING)

    def saves_again(_kind: str, text: str) -> None:
        if "in force. Closed now" in text:
            save(installation, EVENING, 'tue = ["18:00-10:00"]')

    monkeypatch.setattr(house.in_force, "_happened", saves_again)
    assert len(house.wait()) == 1
    house.start()
    assert house.opens() == ["18:00"]


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


def put_a_daily_calendar(installation: Path) -> None:
    text = (installation / "hours.toml").read_text()
    save(installation, text[text.index("[weekly]") : text.index("[programme]")], "")
    (installation / "hours.ics").write_text(
        "BEGIN:VCALENDAR\nVERSION:2.0\nPRODID:-//bakery//EN\nBEGIN:VEVENT\nUID:1\nDTSTAMP:20260101T000000Z\n"
        "DTSTART:20260101T120000\nDTEND:20260101T140000\nRRULE:FREQ=DAILY\nSUMMARY:Open\nEND:VEVENT\nEND:VCALENDAR\n"
    )


LATER = datetime.now(UTC).year + 4
"""Beyond the years that are worked out when a calendar is read."""


def test_the_next_years_of_a_calendar_are_there_before_the_house_asks_for_them(
    installation: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """They take a process of some seconds; the loop that tells systemd that the house lives asks for openings."""
    put_a_daily_calendar(installation)
    monkeypatch.setattr(f"{__name__}.NOW", datetime(LATER, 12, 15, tzinfo=UTC))
    house = Kitchen(installation)
    house.wait(1)
    monkeypatch.setattr(expansion, "_asked", lambda *_: pytest.fail("The house waits for a calendar."))
    for _ in range(2):
        calendar = house.in_force().calendar
        for day in (datetime(LATER, 12, 15, tzinfo=UTC), datetime(LATER + 1, 1, 15, tzinfo=UTC)):
            assert calendar.opening_at(day) is None
            change = calendar.next_change(day)
            assert change is not None
            assert change.date() == day.date()
        house.start()


def test_an_edit_that_is_refused_takes_no_further_years_from_the_hours_in_force(
    installation: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    put_a_daily_calendar(installation)
    house = Kitchen(installation)
    (installation / "hours.ics").write_bytes(b"no calendar")
    house.wait()
    monkeypatch.setattr(f"{__name__}.NOW", datetime(LATER, 12, 15, tzinfo=UTC))
    house.wait(1)
    assert house.in_force().calendar.openings(date(LATER + 1, 1, 15), 1) != []


def test_years_of_a_calendar_that_take_too_long_are_told_before_they_come_and_tried_once_a_day(
    installation: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    put_a_daily_calendar(installation)
    house = Kitchen(installation)
    asked: list[int] = []

    def too_long(*_: object) -> None:
        asked.append(1)
        raise stopping("hours.ics", "It takes too much time.", "Simplify what repeats.")

    with monkeypatch.context() as patched:
        patched.setattr(expansion, "_asked", too_long)
        patched.setattr(f"{__name__}.NOW", datetime(LATER, 12, 15, tzinfo=UTC))
        house.wait()
        assert len(asked) == 1
        told = "The hours of the coming 460 days cannot be worked out. hours.ics: It takes too much time."
        assert [alarm.startswith(told) for alarm in house.in_force.alarms] == [True]
    monkeypatch.setattr(f"{__name__}.NOW", datetime(LATER, 12, 16, tzinfo=UTC))
    house.wait(1)
    assert house.in_force.alarms == []


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
    house.wait()
    assert (house.refused() or "").startswith(REFUSED + "hours.toml: weekly: tue")
    assert house.log[-1] == f"hours: {house.refused()}"
    save(installation, 'tue = ["18:00-10:00"]', 'tue = ["19:00-23:00"]')
    house.wait()
    assert (house.opens(), house.refused()) == (["19:00"], None)
    house.start()
    assert (house.opens(), house.refused()) == (["19:00"], None)


def test_a_start_by_nobody_waits_for_no_calendar_and_takes_other_hours_as_soon_as_it_runs(
    installation: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """One that repeats without end took 40 s of processor time at each start, before the first sound."""
    house = Kitchen(installation)
    save(installation, MORNING, EVENING)
    with monkeypatch.context() as patched:
        patched.setattr(in_force, "read_hours", lambda *_: pytest.fail("The start waits for the hours."))
        house.start()
    assert house.opens() == ["00:00"]
    house.wait(3)
    assert house.opens() == ["18:00"]


@pytest.mark.parametrize("spoilt", ["in-force", "in-force-copy"])
def test_a_spoilt_copy_of_the_files_in_force_does_not_keep_a_house_with_a_broken_file_from_starting(
    installation: Path, spoilt: str
) -> None:
    house = Kitchen(installation)
    kept_room = house.state / spoilt / "room.toml"
    kept_room.write_bytes(kept_room.read_bytes().replace(b"-20.0", b"-10.0"))  # two bits, and 10 dB louder
    (installation / "room.toml").write_text("", encoding="utf-8")
    house.start()
    assert cap_of(house) == [("LAeq over 1 min", -20.0)]
    assert kept_room.read_bytes() == (house.state / "in-force" / "room.toml").read_bytes(), "it is mended"
    said = [finding.what for finding in house.in_force().findings]
    assert any(one.startswith("One of the two copies of the files in force is damaged.") for one in said)
    house.start()
    assert not any("damaged" in finding.what for finding in house.in_force().findings)


@pytest.mark.parametrize("spoilt", ["in-force", "in-force-copy"])
def test_a_pipe_in_a_copy_of_the_files_in_force_keeps_no_house_from_starting(installation: Path, spoilt: str) -> None:
    """Whoever opens it to read waits for somebody who writes."""
    house = Kitchen(installation)
    kept_room = house.state / spoilt / "room.toml"
    kept_room.unlink()
    os.mkfifo(kept_room)
    house.start()
    assert kept_room.read_bytes() == (installation / "room.toml").read_bytes(), "it is mended"


@pytest.mark.parametrize("name", ["in-force", "in-force-copy", "in-force.new"])
def test_a_folder_in_the_place_of_a_link_to_the_files_in_force_is_cleared_away(installation: Path, name: str) -> None:
    house = Kitchen(installation)
    (house.state / name).unlink(missing_ok=True)
    (house.state / name / "lost+found").mkdir(parents=True)
    save(installation, MORNING, EVENING)
    house.start(by_person=True)
    for link in ("in-force", "in-force-copy"):
        assert (house.state / link).is_symlink()
        assert (house.state / link / "hours.toml").read_bytes() == (installation / "hours.toml").read_bytes()


def test_a_pipe_beside_makes_nobody_wait_who_looks_at_the_files(installation: Path) -> None:
    house = Kitchen(installation)
    (installation / "piece.toml").unlink()
    os.mkfifo(installation / "piece.toml")
    house.wait()
    assert house.in_force().piece.title


def test_hours_that_are_gone_do_not_keep_the_house_from_starting(installation: Path) -> None:
    house = Kitchen(installation)
    (installation / "hours.toml").unlink()
    house.start()
    assert house.opens() == ["00:00"]
    house.wait()
    assert REFUSED in (house.refused() or "")
    again = load_in_force(installation, house.state, by_person=True)
    assert digest_in_force(house.in_force()) == digest_in_force(again)


def test_where_more_than_the_hours_is_broken_all_of_it_is_told(installation: Path) -> None:
    house = Kitchen(installation)
    save(installation, MORNING, 'tue = ["18:00-10:00"]')
    (installation / "room.toml").write_text("", encoding="utf-8")
    with pytest.raises(ProblemError, match=r"(?s)room\.toml.*hours\.toml: weekly: tue"):
        house.start(by_person=True)


def test_a_cut_while_new_hours_are_kept_leaves_the_old_ones_or_the_new(
    installation: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    house = Kitchen(installation)
    cuts = 0
    for call in ("replace_file", "symlink_to", "replace", "rmtree"):
        save(installation, MORNING, EVENING)
        with monkeypatch.context() as patched:
            target = {"replace_file": kept_files, "rmtree": shutil}.get(call, Path)
            patched.setattr(target, call, cut)
            with pytest.raises(PowerCutError):
                kept_files.kept(load(installation), house.state)
            cuts += 1
        save(installation, EVENING, 'tue = ["18:00-10:00"]')
        house.start()
        assert house.opens() in (["00:00"], ["18:00"])
        save(installation, 'tue = ["18:00-10:00"]', MORNING)
        house.start()
        house.wait()
        assert house.opens() == ["00:00"]
    assert cuts == 4


# room.toml and piece.toml.


def cap_of(house: Kitchen) -> list[tuple[str, float]]:
    return [(cap.name, cap.limit) for cap in expand(house.in_force().room.cap)]


LIMIT = "limit_dbfs = -20.0"
QUIETER = "limit_dbfs = -26.0"
LOUDER = "limit_dbfs = -14.0"


def save_room(folder: Path, old: str, new: str) -> None:
    save(folder, old, new, "room.toml")


def test_a_stricter_cap_and_a_lower_trim_take_force_and_are_told(installation: Path) -> None:
    house = Kitchen(installation)
    save_room(installation, LIMIT, QUIETER)
    save_room(installation, "device_channel = 2", "device_channel = 2\ntrim_db = -3.0")
    [change] = house.wait()
    assert (change.hours, change.limits) == (False, True)
    assert cap_of(house) == [("LAeq over 1 min", -26.0)]
    assert house.in_force().room.output["right"].trim_db == -3.0
    assert house.in_force.alarms == []
    assert house.log == [
        "limits: Stricter limits of room.toml are in force: LAeq over 1 min -26 dBFS(A); trim of right -3 dB. "
        "Sound played before counts as well: the house can be quieter, or silent, until 01:31 at most."
    ]


def test_a_cap_that_is_raised_or_taken_out_stays_and_the_status_says_so(installation: Path) -> None:
    house = Kitchen(installation)
    save_room(installation, LIMIT, LOUDER)
    assert house.wait() == []
    assert cap_of(house) == [("LAeq over 1 min", -20.0)]
    told = (
        "room.toml differs from what is in force: LAeq over 1 min: -14 dBFS(A) in the file, -20 dBFS(A) in force. "
        f"{RESTART}"
    )
    assert house.in_force.alarms == [told]
    assert house.log == [f"files: {told}"]
    save_room(installation, LOUDER, LIMIT)
    house.wait()
    assert house.in_force.alarms == []


def test_what_is_neither_a_cap_nor_a_trim_is_told_and_waits(installation: Path) -> None:
    house = Kitchen(installation)
    save_room(installation, 'device = "silent"', 'device = "hw:1"')
    save_room(installation, "port =", 'key = "dough rises"\nport =')
    assert house.wait() == []
    [told] = house.in_force.alarms
    assert "device: hw:1 in the file, silent in force" in told
    assert "control.key" in told
    assert "dough rises" not in told


def test_words_of_a_room_that_are_refused_are_shown_with_their_finding(installation: Path) -> None:
    house = Kitchen(installation)
    save_room(installation, LIMIT, "limit_db = 74.0")
    assert house.wait() == []
    [told] = house.in_force.alarms
    assert told.startswith(
        "room.toml was changed and is refused; the earlier one stays in force. room.toml: cap[1]: It limits"
    )
    assert cap_of(house) == [("LAeq over 1 min", -20.0)]
    save_room(installation, "limit_db = 74.0", LIMIT)
    house.wait()
    assert house.in_force.alarms == []


@pytest.mark.parametrize("new", ["limit_dbfs = -20.0  # as the acoustician wrote", "limit_dbfs = -20"])
def test_a_comment_makes_no_difference(installation: Path, new: str) -> None:
    house = Kitchen(installation)
    save_room(installation, LIMIT, new)
    save(installation, "low_hz = 30", "low_hz = 30.0  # where an arm begins", "piece.toml")
    assert house.wait() == []
    assert house.in_force.alarms == []


def test_another_piece_is_told_and_waits_for_a_start_by_a_person(installation: Path) -> None:
    house = Kitchen(installation)
    save(installation, "low_hz = 30", "low_hz = 40", "piece.toml")
    assert house.wait() == []
    [told] = house.in_force.alarms
    assert told.startswith("piece.toml differs from what is in force")
    house.start()
    assert house.in_force.alarms == [told], "a power cut takes no other piece"
    house.start(by_person=True)
    assert house.in_force.alarms == []
    save(installation, "low_hz = 40", "low_hz = 400", "piece.toml")
    house.wait()
    [told] = house.in_force.alarms
    assert told.startswith("piece.toml was changed and is refused")


@pytest.mark.parametrize("then", [LIMIT, LOUDER, "limit_dbfs = hot"], ids=["taken back", "raised", "broken"])
def test_nothing_but_a_start_by_a_person_raises_a_cap_again(installation: Path, then: str) -> None:
    house = Kitchen(installation)
    save_room(installation, LIMIT, QUIETER)
    house.wait()
    save_room(installation, QUIETER, then)
    house.wait()
    for _ in range(2):
        house.start()
        assert cap_of(house) == [("LAeq over 1 min", -26.0)]
        [told] = house.in_force.alarms
        assert "room.toml" in told
    if then == LOUDER:
        house.start(by_person=True)
        assert cap_of(house) == [("LAeq over 1 min", -14.0)]
        assert house.in_force.alarms == []


def test_a_cap_that_was_lowered_while_nothing_ran_is_in_force_at_any_start(installation: Path) -> None:
    house = Kitchen(installation)
    save_room(installation, LIMIT, QUIETER)
    house.start()
    assert cap_of(house) == [("LAeq over 1 min", -26.0)]
    assert house.in_force.alarms == []


def test_the_processes_that_plan_read_what_is_in_force(installation: Path) -> None:
    house = Kitchen(installation)
    save_room(installation, LIMIT, QUIETER)
    house.wait()
    save_room(installation, QUIETER, LOUDER)
    save(installation, "low_hz = 30", "low_hz = 40", "piece.toml")
    house.wait()
    there = load(*map(Path, sources(house.in_force())))
    assert there.room == house.in_force().room
    assert there.piece == house.in_force().piece


@pytest.mark.parametrize("how", ["another installation", "a flipped bit", "none kept"])
def test_files_that_are_not_those_that_were_in_force_are_not_gone_on_with(installation: Path, how: str) -> None:
    house = Kitchen(installation)
    save_room(installation, LIMIT, LOUDER)
    for link in (house.state / "in-force", house.state / "in-force-copy"):
        kept = link.resolve()
        if how == "another installation":
            (kept / "installation.txt").write_text("/srv/another")
        elif how == "a flipped bit":
            (kept / "room.toml").write_text((kept / "room.toml").read_text().replace("-20.0", "-10.0"))
        else:
            link.unlink()
    house.start()
    assert cap_of(house) == [("LAeq over 1 min", -14.0)]
    told = [one.what for one in house.in_force().findings]
    assert any("cannot be relied on" in what for what in told) == (how != "none kept")


def test_where_what_was_in_force_fits_no_more_its_stricter_limits_hold_all_the_same(installation: Path) -> None:
    """As where the room has another output since, which the piece of today needs, and the kept piece is of old."""
    house = Kitchen(installation)
    kept = (house.state / "in-force").resolve()
    text = (kept / "piece.toml").read_text().replace('kind = "bandpass"', 'kind = "of an earlier version"')
    contents = {path.name: path.read_bytes() for path in kept.iterdir()} | {"piece.toml": text.encode()}
    (kept / "piece.toml").write_text(text)
    kept.rename(kept.with_name(f"in-force.{kept_files._digest(contents)}"))
    (house.state / "in-force").unlink()
    (house.state / "in-force").symlink_to(f"in-force.{kept_files._digest(contents)}")
    save_room(installation, LIMIT, LOUDER)
    house.start()
    assert cap_of(house) == [("LAeq over 1 min", -20.0)]


def test_a_start_keeps_the_hours_that_it_has_read(installation: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Saved between the reading and the keeping: what is kept is what was checked, and no other."""
    hours, read = installation / "hours.toml", load
    written = hours.read_text(encoding="utf-8")
    saved = iter([written.replace("23:00", "22:00"), written.replace("23:00", "21:00")])

    def saves_meanwhile(folder: Path) -> Installation:
        found = read(folder)
        hours.write_text(next(saved, written), encoding="utf-8")
        return found

    hours.write_text(next(saved), encoding="utf-8")
    monkeypatch.setattr(kept_files, "load", saves_meanwhile)
    loaded = load_in_force(installation, installation.parent / "state", by_person=True)
    place = loaded.places["hours.toml"]
    assert place != installation
    assert (place / "hours.toml").read_text(encoding="utf-8") == written
    assert read(installation, place).hours == loaded.hours
