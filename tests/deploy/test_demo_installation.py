"""The copy of an installation that the demo plays."""

import tomllib
from datetime import UTC, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import msgspec
import pytest
import sounddevice

from archives.generator.evenings import KNEADING
from archives.generator.muscle import REST_S
from deploy.demo_installation import CLIMB_S, begin_log, device_for, hours_open_at, interrupted_at
from residue.installation.load import load
from residue.records import encode_record
from residue.runtime.house.memory import Memory, recalled
from residue.runtime.journal.log import FILE_NAME, LevelLog
from residue.runtime.system.clock import uptime
from residue.runtime.system.folders import MEMORY_FILE
from residue.schedule.hours import Hours, calendar

MINUTE = timedelta(minutes=1)
DEMO = timedelta(seconds=60)


def opening_left(now: datetime, zone: ZoneInfo) -> timedelta:
    """How long the house stays open from `now` on by the hours that the demo writes."""
    hours = msgspec.convert(tomllib.loads(hours_open_at(now, zone, "first-batch")), Hours)
    opening = calendar(hours).opening_at(now)
    return opening.closes - now if opening else timedelta()


@pytest.mark.parametrize(
    ("zone", "day"),
    [
        pytest.param("UTC", datetime(2026, 5, 6, tzinfo=UTC), id="no change of the clock"),
        pytest.param("America/Los_Angeles", datetime(2026, 5, 6, tzinfo=UTC), id="midnight within the UTC day"),
        # Directive 2000/84/EC: summer time begins and ends at 01:00 UTC on the last Sunday of March and October.
        pytest.param("Europe/Berlin", datetime(2026, 3, 29, tzinfo=UTC), id="summer time begins"),
        pytest.param("Europe/Berlin", datetime(2026, 10, 25, tzinfo=UTC), id="summer time ends"),
        # tz database, zone Australia/Lord_Howe: a change of half an hour, at 15:00 and 15:30 UTC of the day before.
        pytest.param("Australia/Lord_Howe", datetime(2026, 4, 4, tzinfo=UTC), id="half an hour back"),
        pytest.param("Australia/Lord_Howe", datetime(2026, 10, 3, tzinfo=UTC), id="half an hour on"),
    ],
)
def test_the_house_is_open_whenever_the_demo_is_started_and_until_it_ends(zone: str, day: datetime) -> None:
    starts = [day + minute * MINUTE + timedelta(seconds=30) for minute in range(0, 24 * 60, 5)]
    assert min(opening_left(now, ZoneInfo(zone)) for now in starts) > DEMO


@pytest.mark.parametrize(
    ("device", "chosen"),
    [
        ({"name": "Hall interface", "max_output_channels": 3}, "Hall interface"),
        ({"name": "Headphones", "max_output_channels": 2}, "file:/tmp/heard.wav"),
    ],
    ids=["channels enough", "a channel short"],
)
def test_a_device_is_used_where_it_has_channels_enough(
    monkeypatch: pytest.MonkeyPatch, device: dict[str, object], chosen: str
) -> None:
    monkeypatch.setattr(sounddevice, "query_devices", lambda kind: device)
    assert device_for(3, Path("/tmp/heard.wav")) == chosen


def test_without_a_device_a_file_is_written(monkeypatch: pytest.MonkeyPatch) -> None:
    def none(kind: str) -> dict[str, object]:
        raise sounddevice.PortAudioError("Error querying device -1")

    monkeypatch.setattr(sounddevice, "query_devices", none)
    assert device_for(3, Path("/tmp/heard.wav")) == "file:/tmp/heard.wav"


def test_the_demo_goes_on_before_the_arms_give_out(tmp_path: Path) -> None:
    source = Path(__file__).parents[2] / "archives" / "night-dough"
    installation = load(source)
    now = datetime(2026, 5, 5, 10, tzinfo=UTC)  # a Tuesday on which the North hall is open
    house = recalled(interrupted_at(CLIMB_S, installation, now), installation.hours.programme, 0.0)
    assert house.from_s == CLIMB_S
    minutes = KNEADING[installation.hours.programme.names[0]].minutes
    assert CLIMB_S < minutes * 60 - REST_S < CLIMB_S + DEMO.total_seconds()


def test_the_demo_begins_with_all_of_its_caps(tmp_path: Path) -> None:
    now = datetime(2026, 5, 5, 10, tzinfo=UTC)
    begin_log(tmp_path, now)
    (tmp_path / MEMORY_FILE).write_bytes(encode_record(Memory(under_way=True, place_s=CLIMB_S)))
    history = LevelLog(tmp_path / FILE_NAME).sent_before(now, uptime(), 900.0)
    assert not history.unreadable
