"""Makes a copy of an installation that is open now: demo_installation.py SOURCE TARGET WAV STATE.

In the folder STATE the house stands as after an interruption in the middle of its first performance. Prints two lines:
the performance that it will play, and the device to play it on. That is the machine's own where it has channels enough,
else the silent one that writes what would have sounded to WAV.
"""

from __future__ import annotations

import json
import shutil
import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import sounddevice
import tzlocal

from residue.installation.load import Installation, load
from residue.installation.new import uncalibrated_room
from residue.output.opening import is_real
from residue.records import encode_record
from residue.runtime.house.memory import Memory
from residue.runtime.journal.event_kinds import ENDED
from residue.runtime.journal.log import FILE_NAME, EventRow, LevelLog, timestamp
from residue.runtime.system.clock import uptime
from residue.runtime.system.folders import MEMORY_BEFORE_FILE, MEMORY_FILE
from residue.schedule.hours import zone_names
from residue.schedule.spans import local

CLIMB_S = 215.0
"""A minute before the arms of the first batch give out: what one has to hear of it."""
OPEN_BEFORE = timedelta(hours=1)
OPEN_AFTER = timedelta(hours=2)
"""Whole hours on both sides: neither a midnight nor a change to summer time can close the house within the demo."""


def hours_open_at(now: datetime, zone: ZoneInfo, performance: str) -> str:
    """An hours.toml by which the house is open at `now`, aware, and for an hour at least."""
    opens, closes = local(now - OPEN_BEFORE, zone), local(now + OPEN_AFTER, zone)
    return f"""\
# Made by the demo for today.
time_zone = {json.dumps(zone.key)}

[[exception]]
date = {opens:%Y-%m-%d}
open = ["{opens:%H:%M}-{closes:%H:%M}"]
why = "the demo"

[programme]
performances = [{json.dumps(performance)}]
after_interruption = "resume" # the demo begins where the evening was interrupted
"""


def zone_of_the_machine() -> ZoneInfo:
    """UTC where the machine names none."""
    name = tzlocal.get_localzone_name()
    return ZoneInfo(name if name in zone_names() else "UTC")


def device_for(channels: int, wav: Path) -> str:
    """What stands after --device."""
    try:
        own = sounddevice.query_devices(kind="output")
    except (sounddevice.PortAudioError, ValueError):  # the machine has none
        return f"file:{wav}"
    return str(own["name"]) if own["max_output_channels"] >= channels else f"file:{wav}"


def interrupted_at(place_s: float, installation: Installation, now: datetime) -> Memory:
    """What the house remembers of a first performance that was interrupted at `place_s`."""
    return Memory(opening=installation.calendar.opening_at(now), under_way=True, place_s=place_s)


def begin_log(state: Path, now: datetime) -> None:
    """Writes a level log that tells of no sound, where there is none: an empty one counts as lost beside a memory."""
    if not (state / FILE_NAME).exists():
        up = uptime()
        ended = EventRow(utc=timestamp(now), kind=ENDED, text="Made by the demo", boot=up.boot, up_s=up.seconds)
        LevelLog(state / FILE_NAME).write([ended])


def main(source: Path, target: Path, wav: Path, state: Path) -> None:
    """Copy, open, and say what can be played where."""
    shutil.rmtree(target, ignore_errors=True)
    shutil.copytree(source, target)
    installation = load(target)
    performance = installation.hours.programme.performances[0]
    now = datetime.now(UTC)
    (target / "hours.toml").write_text(hours_open_at(now, zone_of_the_machine(), performance), encoding="utf-8")
    widest = max(output.device_channel for output in installation.room.output.values())
    device = device_for(widest, wav)
    if is_real(device):  # the calibration of the demo is invented, and a real device must not play by it
        (target / "room.toml").write_text(uncalibrated_room(installation.graph), encoding="utf-8")
    state.mkdir(parents=True, exist_ok=True)
    begin_log(state, now)
    (state / MEMORY_BEFORE_FILE).unlink(missing_ok=True)
    (state / MEMORY_FILE).write_bytes(encode_record(interrupted_at(CLIMB_S, load(target), now)))
    sys.stdout.write(f"{performance}\n{device}\n")


if __name__ == "__main__":
    main(*map(Path, sys.argv[1:5]))
