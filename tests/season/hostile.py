"""Files of which no house can make anything: calendars, rooms and bags that a program, or a hurry, may leave there."""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping
from hashlib import sha256
from pathlib import Path


def event(rule: str = "", *, number: int = 0, more: str = "") -> str:
    """An event of a calendar file from 10:00 to 20:00, as RFC 5545 writes it."""
    lines = ["BEGIN:VEVENT", f"UID:{number}", "DTSTAMP:20261001T000000Z", "SUMMARY:open"]
    lines += ["DTSTART:20261001T100000", "DTEND:20261001T200000", *([rule] if rule else []), *([more] if more else [])]
    return "\r\n".join([*lines, "END:VEVENT", ""])


def calendar_of(*events: str) -> bytes:
    """A whole calendar file."""
    head = "BEGIN:VCALENDAR\r\nVERSION:2.0\r\nPRODID:-//bakery//hours//EN\r\n"
    return (head + "".join(events) + "END:VCALENDAR\r\n").encode()


def _every_second() -> str:
    hours, minutes = ",".join(map(str, range(24))), ",".join(map(str, range(60)))
    return event(f"RRULE:FREQ=DAILY;BYHOUR={hours};BYMINUTE={minutes};BYSECOND={minutes}")


CALENDARS: Mapping[str, bytes] = {
    "a step of nothing": calendar_of(event("RRULE:FREQ=DAILY;INTERVAL=0")),
    "too many events": calendar_of(*(event(number=number) for number in range(5_001))),
    "every second": calendar_of(_every_second()),
    "days that never come": calendar_of(
        *(event("RRULE:FREQ=YEARLY;BYMONTH=2;BYMONTHDAY=30", number=number) for number in range(500))
    ),
    "cut in the middle": calendar_of(event("RRULE:FREQ=DAILY"))[:150],
    "calendars in calendars": b"BEGIN:VCALENDAR\r\n" * 5_000,
    "no text": bytes(range(256)) * 16,
    "nothing": b"",
}

ROOMS: Mapping[str, Callable[[str], str]] = {
    "no TOML": lambda room: room.replace("[control]", "[control"),
    "cut in the middle": lambda room: room[: len(room) // 2],
    "an unknown key": lambda room: room.replace("window_s", "windows"),
    "a cap that is no number": lambda room: room.replace("limit_dbfs = ", "limit_dbfs = nan #"),
    "without its outputs": lambda room: room.replace("[output.", "[outputs."),
    "nothing": lambda _room: "",
}
"""Each makes of a good room.toml one with a fault."""


def _whole(bag: Path) -> None:
    """A bag that is whole and holds nothing that could be played."""
    (bag / "data").mkdir(parents=True)
    (bag / "data" / "performance.toml").write_text("title = 1\n")
    digest = sha256((bag / "data" / "performance.toml").read_bytes()).hexdigest()
    (bag / "bagit.txt").write_text("BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n")
    (bag / "manifest-sha256.txt").write_text(f"{digest}  data/performance.toml\n")


def _rot13(bag: Path) -> None:
    _whole(bag)
    (bag / "bagit.txt").write_text("BagIt-Version: 1.0\nTag-File-Character-Encoding: rot13\n")


def _unknown_sums(bag: Path) -> None:
    _whole(bag)
    (bag / "manifest-sha256.txt").rename(bag / "manifest-shake_128.txt")


def _pipe(bag: Path) -> None:
    _whole(bag)
    (bag / "manifest-sha256.txt").unlink()
    os.mkfifo(bag / "manifest-sha256.txt")


def _sparse(bag: Path) -> None:
    _whole(bag)
    with (bag / "bag-info.txt").open("wb") as file:
        file.truncate(6 << 30)


def _outward(bag: Path) -> None:
    _whole(bag)
    (bag / "manifest-sha256.txt").write_text(f"{'0' * 64}  data/../../../../../etc/passwd\n")


def _changed(bag: Path) -> None:
    _whole(bag)
    (bag / "data" / "performance.toml").write_text("title = 2\n")


def _link(bag: Path) -> None:
    bag.symlink_to("/")


BAGS: Mapping[str, Callable[[Path], None]] = {
    "nothing to be played": _whole,
    "an encoding that is none": _rot13,
    "sums that nobody can check": _unknown_sums,
    "a pipe": _pipe,
    "6 GB of nothing": _sparse,
    "a way out": _outward,
    "changed on its way": _changed,
    "a link to everything": _link,
}
"""Each makes such a bag at a path."""
