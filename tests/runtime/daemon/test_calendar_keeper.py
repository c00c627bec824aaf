"""The calendar on the web becomes hours.ics; the last good one stays."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from residue.runtime.daemon.calendar_keeper import CalendarKeeper
from residue.schedule.calendar_fetch import Fetched, FetchOutcome, Unchanged, Unfetched
from residue.schedule.hours_folder import HoursFolder

AWAY = Unfetched(why="The server cannot be reached: Connection refused.")


def calendar(summary: str, stamp: str = "20261203T090000Z") -> bytes:
    return f"BEGIN:VCALENDAR\r\nDTSTAMP:{stamp}\r\nSUMMARY:{summary}\r\nEND:VCALENDAR\r\n".encode()


class House:
    """A keeper, and a server that gives the outcomes of a list."""

    def __init__(self, folder: Path, *outcomes: FetchOutcome) -> None:
        self.path, self.log, self.tags = folder / "hours.ics", list[str](), list[str | None]()
        self._outcomes = list(outcomes)
        named = HoursFolder(
            path=str(folder), calendar_url="webcal://desk.bakery.example/house.ics", calendar_networks=("192.0.2.0/24",)
        )
        self.keeper = CalendarKeeper(named, lambda kind, text: self.log.append(f"{kind}: {text}"), self._fetch)

    def _fetch(self, url: str, *, ca_file: str | None, tag: str | None) -> FetchOutcome:
        assert url == "https://desk.bakery.example/house.ics"
        self.tags.append(tag)
        return self._outcomes.pop(0)

    def alarm(self) -> str | None:
        return self.keeper.alarm

    def fetch(self, times: int = 1) -> None:
        for _ in range(times):
            self.keeper.fetch_once()


def test_what_comes_is_put_into_the_folder_and_asked_for_by_its_version(tmp_path: Path) -> None:
    house = House(tmp_path, Fetched(content=calendar("open"), tag="1"), Unchanged(), Fetched(content=b"", tag="2"))
    house.fetch(2)
    assert house.path.read_bytes() == calendar("open")
    assert house.tags == [None, "1"]
    house.path.unlink()
    house.fetch()
    assert house.tags[-1] is None, "a file that somebody removed is wanted whole"


def test_another_moment_of_writing_is_no_other_calendar(tmp_path: Path) -> None:
    later = Fetched(content=calendar("open", "20261203T091500Z"))
    house = House(tmp_path, Fetched(content=calendar("open")), later, Fetched(content=calendar("closed")))
    house.fetch()
    before = house.path.stat().st_mtime_ns, house.path.stat().st_ino
    house.fetch()
    assert (house.path.stat().st_mtime_ns, house.path.stat().st_ino) == before
    house.fetch()
    assert house.path.read_bytes() == calendar("closed")


def test_a_server_that_is_away_leaves_the_last_one_and_is_told_after_a_while(tmp_path: Path) -> None:
    house = House(tmp_path, Fetched(content=calendar("open")), *[AWAY] * 5, Unchanged())
    house.fetch(3)
    assert not house.log
    house.fetch(3)
    assert house.path.read_bytes() == calendar("open")
    told = "The calendar of desk.bakery.example cannot be fetched; the last one stays in force. " + AWAY.why
    assert house.alarm() == told
    assert house.log == [f"calendar: {told}"], "once, however long it lasts"
    assert told in house.keeper.words
    house.fetch()
    assert house.alarm() is None
    assert house.log[1:] == ["hours: The calendar of desk.bakery.example is fetched again."]


def test_a_folder_that_is_gone_is_told(tmp_path: Path) -> None:
    house = House(tmp_path / "gone", *[Fetched(content=calendar("open"))] * 3)
    house.fetch(3)
    assert "cannot be written: No such file or directory" in str(house.alarm())


def test_a_file_that_somebody_changed_is_wanted_whole(tmp_path: Path) -> None:
    same = Fetched(content=calendar("open"), tag="1")
    house = House(tmp_path, same, same)
    house.fetch()
    house.path.write_bytes(calendar("by hand"))
    house.fetch()
    assert house.tags == [None, None]
    assert house.path.read_bytes() == calendar("open")


def test_a_path_that_the_file_system_refuses_is_told_and_ends_no_fetching(tmp_path: Path) -> None:
    house = House(tmp_path / ("a" * 300), *[Fetched(content=calendar("open"))] * 3)
    house.fetch(3)
    assert "cannot be written: File name too long" in str(house.alarm())


def test_without_an_address_nothing_is_fetched() -> None:
    def refuse(*_: Any, **__: Any) -> FetchOutcome:
        raise AssertionError

    for folder in (None, HoursFolder(path="/srv/residue-hours")):
        keeper = CalendarKeeper(folder, lambda *_: None, refuse)
        keeper.fetch_once()
        assert (keeper.words, keeper.alarm) == ("", None)
