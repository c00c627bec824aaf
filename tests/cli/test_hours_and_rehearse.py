from __future__ import annotations

import json
import shutil
import tomllib
from datetime import timedelta
from pathlib import Path

import icalendar
import pytest
from click.testing import CliRunner, Result

from residue.cli import main
from tests.runtime import kitchen


@pytest.fixture(scope="module")
def installation(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return kitchen.build(tmp_path_factory.mktemp("kitchen"), port=47_398, duration_s=30.0)


def run(cache: Path, *words: str) -> Result:
    return CliRunner().invoke(main, [*words], env={"XDG_CACHE_HOME": str(cache)})


def test_hours_tell_the_days_and_what_was_understood_of_the_programme(installation: Path, tmp_path: Path) -> None:
    found = run(tmp_path, "hours", str(installation), "--from", "2026-03-29", "--days", "1")
    assert found.exit_code == 0
    assert found.stdout.splitlines()[:2] == [
        "Sun 29 Mar 2026  00:00 to 24:00  (23 h; the clock changes)  weekly hours",
        "Plays first-batch, second-batch, in this order.",
    ]


def test_hours_of_a_room_in_step_say_so(installation: Path, tmp_path: Path) -> None:
    house = shutil.copytree(installation, tmp_path / "house")
    alone = run(tmp_path, "hours", str(house)).stdout
    with (house / "room.toml").open("a") as room:
        room.write("\n[in_step]\n")
    together = run(tmp_path, "hours", str(house)).stdout
    said = "In step with other rooms: all that have these hours and this piece play the same at the same moment.\n"
    assert together == alone + said


def test_hours_of_a_calendar_file_tell_each_title_and_what_is_far_off(installation: Path, tmp_path: Path) -> None:
    folder = tmp_path / "with a calendar"
    shutil.copytree(installation, folder)
    event = ("BEGIN:VEVENT", "UID:1", "DTSTAMP:20260101T000000Z", "DTSTART:20260303T100000", "DTEND:20260303T120000")
    lines = ["BEGIN:VCALENDAR", "VERSION:2.0", "PRODID:-//bakery//EN", *event, "SUMMARY:Slow dough"]
    lines += ["DESCRIPTION:trim: -9 dB", "END:VEVENT", "END:VCALENDAR", ""]
    (folder / "hours.ics").write_bytes("\r\n".join(lines).encode())
    raw = tomllib.loads((folder / "hours.toml").read_text())
    far_off = "\n[[exception]]\ndate = 2090-12-24\nopen = []\n"
    programme = f"[programme]\nperformances = {json.dumps(raw['programme']['performances'])}\n"
    (folder / "hours.toml").write_text(f'time_zone = "Europe/Berlin"\n{programme}{far_off}')
    found = run(tmp_path, "hours", str(folder), "--from", "2026-03-03", "--days", "1")
    assert found.exit_code == 0, found.output
    assert found.stdout.splitlines()[0] == "Tue 03 Mar 2026  10:00 to 12:00  (2 h)  Slow dough, 9 dB lower"
    assert found.stderr.splitlines() == [
        "hours.ics: Taken as open, 9 dB lower: 'Slow dough'.",
        "hours.toml: exception[1]: It is far off: its first day is Sun 24 Dec 2090 (exception). "
        "Look whether this is the year that is meant.",
    ]


def test_hours_for_programs_are_one_object(installation: Path, tmp_path: Path) -> None:
    found = run(tmp_path, "hours", str(installation), "--from", "2026-03-29", "--days", "1", "--json")
    assert json.loads(found.stdout) == {
        "time_zone": "Europe/Berlin",
        "openings": [
            {
                "opens": "2026-03-29T00:00:00+01:00",
                "closes": "2026-03-30T00:00:00+02:00",
                "why": "weekly hours",
                "trim_db": 0.0,
                "performances": [],
            }
        ],
    }


def test_hours_are_written_as_a_calendar_with_what_is_played(installation: Path, tmp_path: Path) -> None:
    path = tmp_path / "kitchen.ics"
    found = run(tmp_path, "hours", str(installation), "--from", "2026-03-03", "--days", "1", "--ics", str(path))
    assert found.exit_code == 0, found.output
    [event] = icalendar.Calendar.from_ical(path.read_bytes()).events
    words = [line.split() for line in str(event["DESCRIPTION"]).splitlines()[:2]]
    begin, end, then = (timedelta(hours=int(at[:2]), minutes=int(at[3:5]), seconds=int(at[6:])) for at in
                        (words[0][0], words[0][2], words[1][0]))  # fmt: skip
    assert [line[-1] for line in words] == ["first-batch", "second-batch"]
    assert begin < timedelta(seconds=36), "it stays open: what was under way at midnight ends first, with its rest"
    assert (end - begin, then - end) == (timedelta(seconds=30), timedelta(seconds=5))


def test_a_calendar_that_cannot_be_written_is_told(installation: Path, tmp_path: Path) -> None:
    found = run(tmp_path, "hours", str(installation), "--days", "1", "--ics", str(tmp_path / "missing" / "kitchen.ics"))
    assert found.exit_code == 1
    assert "It is not there." in found.output


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["hours", "--from", "26.3.2027"], "'26.3.2027' is not a date. Write year-month-day, such as 2026-03-02."),
        (["hours", "--from", "2027-02-29"], "'2027-02-29' is not a date."),
        (["hours", "--from", "9999-12-31"], "9999-12-31 is out of range. Write a day from 2000-01-01 to 2099-12-31."),
        (["hours", "--from", "0001-01-01"], "0001-01-01 is out of range."),
        (["rehearse", "--from", "2027-03-02", "--to", "2027-03-01"], "--to 2027-03-01 lies before --from 2027-03-02."),
        (["rehearse", "--from", "2027-03-02", "--to", "2099-03-01"], "are more than 3660 days. Name fewer."),
        (["report", "--from", "2027-03-02", "--to", "2099-03-01"], "are more than 3660 days. Name fewer."),
    ],
)
def test_days_that_nobody_means_are_told(installation: Path, tmp_path: Path, words: list[str], said: str) -> None:
    found = run(tmp_path, words[0], str(installation), *words[1:])
    assert found.exit_code == 2
    assert said in found.output


def test_a_season_is_rehearsed_with_the_levels_of_the_plan(installation: Path, tmp_path: Path) -> None:
    """One day of 30 s each 35 s, give or take the half second after the last sound: some 2,450 plays."""
    words = ("rehearse", str(installation), "--from", "2026-03-03", "--to", "2026-03-03", "--json")
    found = run(tmp_path, *words)
    assert found.exit_code == 0, found.output
    told = json.loads(found.stdout)
    assert told["open_h"] == 24.0
    assert 2_380 < sum(told["plays"].values()) < 2_470
    assert told["days"][0]["exposure_db"] < -20.0
    [cap] = [cap for cap in told["caps"] if cap["name"] == "LAeq over 1 min"]
    assert cap["highest"] <= cap["limit"] == -20.0
    assert cap["governor_s"] == 0.0
    assert told["warnings"] == []


def test_a_season_that_ends_before_it_begins_is_a_wrong_use(installation: Path, tmp_path: Path) -> None:
    found = run(tmp_path, "rehearse", str(installation), "--from", "2026-03-03", "--to", "2026-03-02")
    assert found.exit_code == 2
    assert "--to 2026-03-02 lies before --from 2026-03-03." in found.output
