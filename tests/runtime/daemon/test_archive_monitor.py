"""What is archived, looked after while the house runs; the reading process is played by the test."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import cast

import msgspec
import pytest

from residue.archive.bag import seal
from residue.archive.performance import FILE_NAME, Permission, read_performance, write_performance
from residue.installation.load import load
from residue.problems import Finding, Severity
from residue.runtime.daemon.archive_monitor import FIRST_S, ArchiveMonitor
from residue.runtime.journal.event_kinds import READ_AGAIN
from residue.runtime.system.child_process import ChildProcess
from tests.runtime import kitchen

ROT = Finding(Severity.WARNS, "first-batch", "Its prepared channel has changed.", "The disk begins to fail.")


@dataclass
class Days:
    """A clock that a test moves."""

    moment: datetime = datetime(2026, 3, 2, 20, tzinfo=UTC)

    def now(self) -> datetime:
        return self.moment

    def monotonic_s(self) -> float:
        return self.moment.timestamp()


@dataclass
class Process:
    arguments: Sequence[str]
    status: int | None = None
    said: list[bytes] = field(default_factory=list)
    complaint: str = "It ended with status -9."
    ended: bool = False

    def finds(self, *findings: Finding) -> None:
        self.said, self.status = [msgspec.json.encode(findings) + b"\n"], 0

    def end(self) -> None:
        self.ended = True


class House:
    def __init__(self, folder: Path) -> None:
        self.folder, self.clock = folder, Days()
        self.installation = load(kitchen.build(folder, 47_399, duration_s=0.1))
        self.happened: list[tuple[str, str]] = []
        self.processes: list[Process] = []
        self.looked_again = 0
        self.custodian = self.started()

    def started(self) -> ArchiveMonitor:
        state, cache = self.folder / "state", self.folder / "cache"
        return ArchiveMonitor(lambda: self.installation, state, cache, self.clock, self._note, self._again, self._send)

    def _note(self, kind: str, text: str) -> None:
        self.happened.append((kind, text))

    def _again(self) -> None:
        self.looked_again += 1

    def _send(self, module: str, arguments: Sequence[str]) -> ChildProcess:
        assert module == "residue.runtime.daemon.rereading"
        self.processes.append(Process(arguments))
        return cast(ChildProcess, self.processes[-1])

    def look(self, after: timedelta = timedelta(minutes=1)) -> None:
        self.clock.moment += after
        self.custodian.look(self.custodian.permission())


@pytest.fixture
def house(tmp_path: Path) -> House:
    return House(tmp_path)


def test_everything_is_read_once_a_night_and_a_restart_does_not_read_it_again(house: House) -> None:
    house.look()
    assert house.processes == [], "the planner comes first"
    house.look(timedelta(seconds=FIRST_S))
    [first] = house.processes
    assert first.arguments == [*[str(house.installation.folder)] * 2, str(house.folder / "cache")]
    house.look()
    first.finds()
    for _ in range(3):
        house.look()
    assert first.ended
    assert house.happened == [(READ_AGAIN, "The nightly reading found every file unchanged.")]
    house.custodian = house.started()
    house.look(timedelta(seconds=FIRST_S))
    assert len(house.processes) == 1
    house.look(datetime(2026, 3, 3, 1, 59, tzinfo=UTC) - house.clock.moment)  # 02:59 in Berlin
    assert len(house.processes) == 1
    house.look()
    assert len(house.processes) == 2


def test_a_disk_that_begins_to_rot_is_told_and_everything_is_planned_anew(house: House) -> None:
    house.look(timedelta(seconds=FIRST_S))
    house.processes[0].finds(ROT)
    house.look()
    assert house.happened == [("disk", str(ROT))]
    assert house.custodian.alarms == [str(ROT)]
    assert house.looked_again == 1
    house.look(timedelta(days=1))
    house.processes[1].finds()
    house.look()
    assert house.custodian.alarms == []
    assert house.looked_again == 1


def test_a_reading_that_fails_is_told_and_done_the_next_night(house: House) -> None:
    house.look(timedelta(seconds=FIRST_S))
    house.processes[0].status = -9
    house.look()
    assert house.happened == [("disk", "The nightly reading failed: It ended with status -9.")]
    house.look(timedelta(days=1))
    assert len(house.processes) == 2


def test_what_may_no_longer_be_shown_is_an_alarm_from_that_day_on_and_told_once_a_day(house: House) -> None:
    recorded = house.folder / "recorded-first-batch"
    spring = Permission(consent="signed 2026-02-11, folder 3", shown_until=date(2026, 3, 3))
    facts = msgspec.structs.replace(read_performance(recorded / FILE_NAME), permission=spring)
    (recorded / FILE_NAME).write_text(write_performance(facts), encoding="utf-8")
    bag = seal(recorded, house.folder / "permitted", {}, date(2026, 3, 1)).path
    bags = {**house.installation.performances, "first-batch": bag}
    house.installation = replace(house.installation, performances=bags)
    house.look()
    house.look(timedelta(days=1))
    assert house.custodian.alarms == []
    for _ in range(3):
        house.look(timedelta(days=1))
    [alarm] = house.custodian.alarms
    assert alarm.startswith("first-batch: It may be shown from any day to 2026-03-03; 2026-03-06 is outside.")
    told = [text for kind, text in house.happened if kind == "permission"]
    assert [text.partition("; ")[2][:21] for text in told] == [
        "2026-03-04 is outside",
        "2026-03-05 is outside",
        "2026-03-06 is outside",
    ]
