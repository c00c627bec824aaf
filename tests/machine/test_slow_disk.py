"""The unit under a real systemd on a disk that answers late, while it plays into the kernel's loopback card.

The state folder lies on a device of the kernel's that keeps each request back. Source: dm-delay
(Documentation/admin-guide/device-mapper/delay.rst of the kernel).
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest

from tests.machine.debian import with_a_house
from tests.machine.test_unit import PORT, STATE, card, logged, plays, shown, sounds
from tests.machine.virtual_machine import Machine, VirtualMachine, running

pytestmark = [pytest.mark.machine, pytest.mark.timeout(7_200)]

DISK = " && ".join(
    (
        "systemctl stop residue",
        "truncate --size=96M /var/slow.img && losetup /dev/loop0 /var/slow.img && mkfs.ext4 -q /dev/loop0",
        'modprobe dm-delay && dmsetup create slow --table "0 $(blockdev --getsz /dev/loop0) delay /dev/loop0 0 0"',
        f"mount /dev/mapper/slow /mnt && cp -a {STATE}/. /mnt && chown --reference={STATE} /mnt",
        f"umount /mnt && mount /dev/mapper/slow {STATE}",
        "systemctl start residue",
    )
)
DELAY_MS = 3_000
REST_S = 5
"""Of the programme, in which nothing is sent."""
SLOWER = (
    "dmsetup suspend --nolockfs slow; "
    'dmsetup reload slow --table "0 $(blockdev --getsz /dev/loop0) delay /dev/loop0 0 {delay_ms}" && '
    "dmsetup resume slow"
)


@pytest.fixture(scope="module")
def machine(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Machine]:
    with with_a_house(tmp_path_factory.mktemp("machine"), PORT, wired) as one:
        yield one


def wired(debian: Path) -> None:
    room = debian / "srv/residue/room.toml"
    room.write_text(room.read_text(encoding="utf-8").replace('device = "silent"', 'device = "gallery"'))


@pytest.fixture(scope="module")
def computer(machine: Machine, tmp_path_factory: pytest.TempPathFactory) -> Iterator[VirtualMachine]:
    """It plays, on a disk that is not slow yet."""
    with running(machine, tmp_path_factory.mktemp("first"), datetime.now(UTC), "rw") as one:
        plays(one)
        one.run(DISK)
        plays(one)
        yield one


def slower(computer: VirtualMachine, delay_ms: int) -> None:
    """From now on the disk answers each request so much later."""
    computer.run(SLOWER.format(delay_ms=delay_ms))


def health(computer: VirtualMachine) -> dict[str, Any]:
    told: dict[str, Any] = json.loads(computer.run("residue status --json"))["health"]
    return told


def test_a_disk_that_answers_late_is_told_and_not_heard(computer: VirtualMachine) -> None:
    daemon, before = shown(computer, "MainPID"), card(computer)["trigger_time"]
    slower(computer, DELAY_MS)
    computer.run("until residue status --json | grep -q 'the disk has not answered for'; do sleep 1; done; sleep 30")
    assert health(computer)["late_blocks"] == 0
    slower(computer, 0)
    computer.run("while residue status --json | grep -q 'the disk has not answered for'; do sleep 1; done")
    plays(computer)
    sounds(computer)
    assert health(computer)["late_blocks"] == 0
    assert (shown(computer, "MainPID"), card(computer)["trigger_time"]) == (daemon, before), "without a gap"


def test_what_was_sent_meanwhile_is_in_the_log(computer: VirtualMachine) -> None:
    """A row a second, apart from the rests of the programme."""
    ended = [datetime.fromisoformat(utc) for (utc,) in logged(computer, "SELECT utc FROM second ORDER BY rowid")]
    assert len(ended) > 60
    started = logged(computer, "SELECT utc FROM event WHERE kind = 'started' ORDER BY rowid DESC LIMIT 1")
    of_this_run = [one for one in ended if one > datetime.fromisoformat(started[0][0])]
    assert max(after - before for before, after in pairwise(of_this_run)) < timedelta(seconds=REST_S + 3)
    assert logged(computer, "SELECT text FROM event WHERE kind = 'not logged'") == []
