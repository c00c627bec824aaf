"""What lies in the folders of a house: its three files, a calendar, bags, and all that it writes for itself."""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Callable, Mapping, Sequence
from contextlib import closing, suppress
from datetime import UTC, date, datetime
from pathlib import Path
from typing import TypeVar
from zoneinfo import ZoneInfo

from residue.archive.bag import open_bag
from residue.archive.fixity import verify
from residue.archive.summary import summarise
from residue.archive.swap.dropped import lacking, look
from residue.archive.swap.places import Request, When, read_request
from residue.installation.drafts import draft
from residue.installation.load import check_room_for, read_hours, read_piece, read_room, read_sensors
from residue.installation.tightening import room_toml
from residue.installation.unit_needs import drop_in, needs_of
from residue.notices.ledger import Ledger
from residue.problems import stops
from residue.records import SpoiltRecordError, decode_record, encode_record
from residue.runtime.house.exchange import EngineView, Tick, World
from residue.runtime.house.house import step
from residue.runtime.house.memory import Memory, alive_at, recalled, remembered
from residue.runtime.house.restarts import Restarts
from residue.runtime.journal.event_kinds import STARTED
from residue.runtime.journal.log import LevelLog, event
from residue.runtime.journal.reading import LogReader
from residue.runtime.offline.keypad_findings import keypad_findings
from residue.runtime.offline.sharing import definition
from residue.runtime.planning.planning import Outcome
from residue.runtime.system.clock import SystemClock, Uptime
from residue.schedule import expansion
from residue.schedule.calendar_file import CalendarFile
from residue.schedule.events import read as read_calendar
from residue.schedule.opening import Opening
from residue.schedule.programme import Programme, item, next_start
from residue.watchdog.checks import CHECKS
from tests.archive.bags import sealed_bag
from tests.fuzz.recordings import emptied
from tests.fuzz.target import Target, Trial, answered, apart, joined, parts, told
from tests.reference.rfc5545_examples import EXAMPLES
from tests.runtime.kitchen import HOURS, PIECE, ROOM
from tests.season.hostile import calendar_of
from tests.season.hostile import event as calendar_event

T = TypeVar("T")

ROOT = Path(__file__).parents[2]
_BERLIN = ZoneInfo("Europe/Berlin")
_NOW = datetime(2026, 3, 3, 10, tzinfo=UTC)
_UP = Uptime("boot", 5_000.0)
_PERFORMANCES = {"first-batch": Path("first-batch"), "second-batch": Path("second-batch")}


def _installed(file: str, *more: str) -> Callable[[Path], Sequence[bytes]]:
    def seeds(_folder: Path) -> Sequence[bytes]:
        found = [path.read_bytes() for path in sorted((ROOT / "archives").glob(f"*/{file}"))]
        return [*found, *(text.encode() for text in more)]

    return seeds


def _piece(folder: Path) -> Trial:
    path = folder / "piece.toml"
    room, _ = _written(folder / "room.toml", ROOM.format(port=47_399).encode(), read_room)

    def once(content: bytes) -> str:
        graph, findings = _written(path, content, read_piece)
        if graph is not None and room is not None:
            findings = [*findings, *check_room_for(graph, room)]
        return told(findings)

    return once


def _written(path: Path, content: bytes, read: Callable[[Path], T]) -> T:
    path.write_bytes(content)
    return read(path)


def _room(folder: Path) -> Trial:
    path = folder / "room.toml"

    def once(content: bytes) -> str:
        room, findings = _written(path, content, read_room)
        if room is not None:
            findings = [*findings, *check_room_for(None, room)]
            if not stops(findings):
                drop_in(needs_of(room, None))
                list(keypad_findings(room, lambda _device: ("KEY_KP1", "KEY_ENTER")))
                if room.hours_folder is not None:
                    definition(room.hours_folder)
                again, _ = _written(path, room_toml(room).encode(), read_room)
                if repr(again) != repr(room):
                    raise AssertionError("it is another one, written again")
        return told(findings)

    return once


def _draft(folder: Path) -> Trial:
    """A piece that is still being written, on headphones and in a room of defaults."""
    path = folder / "piece.toml"

    def once(content: bytes) -> str:
        path.write_bytes(content)

        def drafted(*, gallery: bool) -> str:
            return told(draft(folder, "first-batch", gallery=gallery).findings)

        return " / ".join(answered(lambda gallery=gallery: drafted(gallery=gallery)) for gallery in (False, True))  # type: ignore[misc]

    return once


def _sensors(folder: Path) -> Trial:
    path = folder / "sensors.toml"
    return lambda content: told(_written(path, content, lambda _: read_sensors(folder))[1])


def _hours(folder: Path) -> Trial:
    def once(content: bytes) -> str:
        hours, answers, findings = _written(folder / "hours.toml", content, lambda _: read_hours(folder, _PERFORMANCES))
        if hours is not None and answers is not None:
            for opening in answers.calendar.openings(date(2026, 3, 20), 14)[:5]:
                if not opening.opens < opening.closes:
                    raise AssertionError(f"an opening that is none: {opening}")
                item(hours.programme, opening, 7)
                next_start(hours.programme, opening, opening.opens, hours.zone)
            answers.calendar.next_change(_NOW)
        return told(findings)

    return once


def _calendars(_folder: Path) -> Sequence[bytes]:
    rules = [calendar_event(f"RRULE:{rule}", number=number) for number, (_, rule, _) in enumerate(EXAMPLES)]
    private = calendar_event(more="DESCRIPTION:performances: late-batch\\ntrim_db: -6").replace("open", "private view")
    return [calendar_of(private, *rules[n : n + 3]) for n in range(0, len(rules), 3)]


def _calendar(folder: Path) -> Trial:
    path = folder / "hours.ics"

    def all_of(found: CalendarFile) -> str:
        try:
            said = found.said(date(2026, 1, 1), 365)
        except Exception as error:  # noqa: BLE001 (the child that reads a calendar takes any error of the libraries)
            return f"refused: {type(error).__name__}"
        for one in said:
            if one.piece.opens.tzinfo is None or one.piece.closes.tzinfo is None:
                raise AssertionError(f"a time without an offset: {one}")
        return f"{len(found.titles)} titles, {min(len(said), 2)} openings, {told(found.findings)}"

    return lambda content: answered(lambda: all_of(_written(path, content, lambda _: read_calendar(path, _BERLIN))))


def _bags(folder: Path) -> Sequence[bytes]:
    bag = sealed_bag(folder).path
    files = {path.relative_to(bag).as_posix(): path.read_bytes() for path in sorted(bag.rglob("*")) if path.is_file()}
    small = {name: content for name, content in files.items() if len(content) < 5_000}
    return [joined(small), joined({**small, "fetch.txt": b"https://bakery.example/a 12 data/arms.flac\n"})]


def _bag(folder: Path) -> Trial:
    def once(content: bytes) -> str:
        with emptied(folder) as inner:
            bag = inner / "first-batch"
            bag.mkdir()
            for name, file in parts(content).items():
                path = Path(os.path.normpath(bag / name))
                if path.is_relative_to(bag) and path != bag:
                    with suppress(OSError):  # a file and a folder of one name
                        path.parent.mkdir(parents=True, exist_ok=True)
                        path.write_bytes(file)
            look(bag)
            found = [answered(lambda: str(lacking(bag))), answered(lambda: summarise(open_bag(bag)))]
            return apart(" / ".join([told(verify(bag)), *(one.splitlines()[0] if one else "" for one in found)]))

    return once


# What the house writes for itself: the name of one, then its bytes.


def _memory(folder: Path) -> str:
    found, lost = remembered(folder)
    programme = Programme(performances=("first-batch", "second-batch"))
    house = recalled(found, programme, 100.0)
    opening = Opening(datetime(2026, 3, 3, 9, tzinfo=UTC), datetime(2026, 3, 3, 20, tzinfo=UTC), "tue")
    for moment in (opening, None):
        step(house, Tick(), World(_NOW, 100.0, moment, EngineView(turn=-1), _BERLIN), programme)
    return apart(" ".join(lost))


def _restarts(folder: Path) -> str:
    happened: list[str] = []
    may = Restarts(folder / "state", SystemClock(), lambda kind, text: happened.append(text)).may(CHECKS[0])
    return apart(f"{may} {happened}")


def _log(folder: Path) -> str:
    """As the log writer and the report do; what cannot be written is tried again, and then it must be."""
    with closing(LevelLog(folder / "levels.sqlite")) as log:
        before = log.sent_before(_NOW, _UP, 900.0)
        said = [f"{before.unreadable} {len(before.rows)} {len(before.unlogged)}"]
        reader = LogReader(folder / "levels.sqlite")
        said += [_refused(lambda: reader.between(datetime(2026, 1, 1, tzinfo=UTC), _NOW)), _refused(reader.last_moment)]
        said += [*reader.faults[:2]]
        said += [_refused(lambda: log.write([event(_NOW, _UP, STARTED, "")])), _refused(log.let_go)]
        if said[-2]:
            log.write([event(_NOW, _UP, STARTED, "")])
    return apart(" ".join(said))


def _refused(work: Callable[[], object]) -> str:
    try:
        work()
    except (sqlite3.Error, OSError) as error:
        return str(error)
    return ""


def _record(kind: type) -> Callable[[Path], str]:
    def read(folder: Path) -> str:
        try:
            decode_record((folder / "state").read_bytes(), kind)
        except SpoiltRecordError as error:
            return apart(str(error))
        return "read"

    return read


_STATES: Mapping[str, tuple[str, Callable[[Path], str]]] = {
    "memory": ("memory.json", _memory),
    "restarts": ("state", _restarts),
    "database": ("levels.sqlite", _log),
    "copy": ("sent.lines", _log),
    "request": ("state", lambda folder: str(read_request(folder / "state") is None)),
    "ledger": ("state", _record(Ledger)),
    "outcome": ("state", _record(Outcome)),
    "night": ("state", _record(date)),
    "sums": ("state", _record(dict[str, int])),
    "expansion": ("state", _record(expansion.Expansion)),
}
"""By name: the file, and what reads it."""


def _states(folder: Path) -> Sequence[bytes]:
    opening = Opening(_NOW, datetime(2026, 3, 3, 20, tzinfo=UTC), "tue")
    memory = Memory(opening=opening, index=2, under_way=True, place_s=83.0, alive=alive_at(_NOW, _UP), trim_db=-6.0)
    request = Request(when=When.NOW, bag="third-batch", asked=_NOW)
    whole = {
        "memory": memory,
        "restarts": {CHECKS[0].name: [_NOW]},
        "request": request,
        "ledger": Ledger(sent_at=_NOW, lines=("Tue",)),
        "outcome": Outcome(gain_db={"a": -3.0}, words={}, duration_s={"a": 60.0}, unplayable={}),
        "night": date(2026, 3, 3),
        "sums": {"a": 1},
    }
    with_a_sum = [(name, encode_record(value)) for name, value in whole.items()]
    without = [(name, content[: content.rindex(b"\ncrc32")]) for name, content in with_a_sum]
    with closing(LevelLog(folder / "levels.sqlite")) as log:
        log.write([event(_NOW, _UP, STARTED, "Night Dough")])
        log.let_go()  # all of it into the one file
    files = [("database", (folder / "levels.sqlite").read_bytes()), ("copy", (folder / "sent.lines").read_bytes())]
    return [b"%s\n%s" % (name.encode(), content) for name, content in (*with_a_sum, *without, *files)]


def _state(folder: Path) -> Trial:
    def once(content: bytes) -> str:
        name, _, state = content.partition(b"\n")
        if (found := _STATES.get(name.decode("latin-1"))) is None:
            return "no such file"
        file, read = found
        with emptied(folder) as inner:
            (inner / file).write_bytes(state)
            return f"{name!r} {read(inner)}"

    return once


_SENSORS = """title = "Live"
device = "gallery"
[osc]
listen = "127.0.0.1"
port = 9001
[channel.arm]
kind = "mmg"
unit = "V"
input = 1
[channel.chest]
kind = "rr"
unit = "ms"
address = "/heart/beat"
"""
_VIEWS = """
[[private_view]]
date = 2026-03-25
open = ["20:00-02:00"]
performances = ["second-batch"]
[[season]]
name = "Easter"
first = 2026-03-28
until = 2026-04-06
[season.weekly]
sat = ["10:00-12:00"]
[[exception]]
date = 2026-03-29
open = []
[holidays]
country = "DE"
"""
_MORE = """
[[equipment]]
name = "wall"
kind = "projector"
host = "192.0.2.7"
[[notice]]
kind = "mail"
name = "porter"
host = "192.0.2.8"
sender = "house@bakery.example"
to = ["porter@bakery.example"]
[page]
port = 8080
"""
_REACHED = """
[keypad]
device = "4-Key Pad"
[[keypad.key]]
key = "KEY_KP1"
does = "hold or release"
for_s = 1200
[[keypad.key]]
key = "KEY_KP2"
does = "trim"
trim_db = -6
[[notice]]
kind = "mail"
name = "night-porter"
host = "mail.bakery.example"
encryption = "tls"
user = "house"
password_file = "/etc/residue/mail"
sender = "house@bakery.example"
to = ["porter@bakery.example", "ida@bakery.example"]
networks = ["0.0.0.0/0", "::/0"]
daily_at = "18:30"
[[notice]]
kind = "webhook"
name = "desk"
url = "https://desk.bakery.example/house"
networks = ["192.0.2.0/24"]
[[notice]]
kind = "command"
name = "bell"
run = ["/usr/local/bin/bell"]
device_nodes = ["/dev/ttyUSB0"]
[hours_folder]
path = "/srv/residue-hours"
share_with = ["192.0.2.0/24"]
calendar_url = "https://desk.bakery.example/house.ics"
calendar_networks = ["192.0.2.0/24"]
calendar_every_min = 15
"""
_RULES = (
    *(b"FREQ=DAILY", b"FREQ=YEARLY", b"INTERVAL=0", b"COUNT=5", b"UNTIL=20260401", b"BYDAY=-1SU", b"BYMONTHDAY=31"),
    *(b"BYSETPOS=-1", b"RDATE:", b"EXDATE:", b"RECURRENCE-ID:", b"DTEND:", b"DURATION:P1D", b"TZID=Europe/Berlin"),
    *(b"TRANSP:TRANSPARENT", b"STATUS:CANCELLED", b"SUMMARY:closed", b"BEGIN:VEVENT", b"END:VEVENT", b"VALUE=DATE"),
)

HOUSE_FILES = {
    "piece": Target(_installed("piece.toml", PIECE), _piece, (b"from", b"kind", b"input", b"[node.x]", b"nan", b"{ }")),
    "room": Target(
        _installed("room.toml", *(ROOM.format(port=1) + more for more in ("", _MORE, _REACHED))), _room, (b"[[cap]]",)
    ),
    "draft": Target(_installed("piece.toml", PIECE), _draft, (b"from", b"kind", b"input", b"[node.x]", b"nan", b"{ }")),
    "sensors": Target(lambda _: [_SENSORS.encode()], _sensors, (b"rate_hz = ", b"address", b"input")),
    "hours": Target(
        _installed("hours.toml", HOURS, HOURS + _VIEWS), _hours, (b'opening_hours = "Mo-Fr 10:00-18:00; PH off"', b"SH")
    ),
    "calendar": Target(_calendars, _calendar, _RULES),
    "bag": Target(_bags, _bag, (b"..", b"data/", b"UTF-16", b"Payload-Oxum: ", b"==== fetch.txt\n", b"==== data/x\n")),
    "state": Target(_states, _state, (b"null", b"[", b"{", b'"', b"crc32 ")),
}
