"""The unit under a real systemd where processes are killed, memory is short, or the disk answers late.

The kernel's loopback card gives at its second device what it gets at its first, so the end of the sound is recorded to
the sample. Whoever is to fall to the kernel for want of memory is chosen by its oom_score_adj, and the kernel is told
to choose at once. Source: proc(5), sysrq (Documentation/admin-guide/sysrq.rst of the kernel, "f"). The slow disk is one
of the kernel's that keeps each request back. Source: dm-delay (Documentation/admin-guide/device-mapper/delay.rst).
"""

from __future__ import annotations

import base64
import json
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from tests.machine.debian import with_a_house
from tests.machine.test_unit import PORT, STATE, card, journal, logged, plays, shown, sounds
from tests.machine.virtual_machine import Machine, VirtualMachine, running

pytestmark = [pytest.mark.machine, pytest.mark.timeout(7_200)]

RATE_HZ = 48_000
PAGE_PORT = 47_380
RECORDER = """\
from pathlib import Path

import numpy as np
import sounddevice

heard = []
with sounddevice.InputStream(48_000, device="hw:0,1", channels=2, dtype="float32") as stream:
    while len(heard) < 40 or heard[-1].any():
        heard.append(stream.read(4_800)[0][:, 0].copy())
        if len(heard) == 20:
            Path("/run/recording").touch()
sound = np.concatenate(heard)
end = np.flatnonzero(sound)[-1] + 1
sound[end - 48_000 : end].tofile("/run/end.raw")
Path("/run/recording").unlink()
"""
"""Two seconds of sound, and then until there is none for 0.1 s; keeps the second before."""
OUT_OF_MEMORY = "echo 1000 >/proc/{process}/oom_score_adj && echo f >/proc/sysrq-trigger"

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
LAST_START = "(SELECT max(rowid) FROM event WHERE kind = 'started')"
REST_S = 5
"""Of the programme, in which nothing is sent."""
SLOWER = (
    "dmsetup suspend --nolockfs slow; "
    'dmsetup reload slow --table "0 $(blockdev --getsz /dev/loop0) delay /dev/loop0 0 {delay_ms}" && '
    "dmsetup --noudevsync resume slow"  # else it waits for udev, which reads 40 blocks of a disk that is slow by then
)


@pytest.fixture(scope="module")
def machine(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Machine]:
    with with_a_house(tmp_path_factory.mktemp("machine"), PORT, wired) as one:
        yield one


def wired(debian: Path) -> None:
    """Onto the kernel's card, with a page, which is a process of its own, and under a cap that a few kills leave free.

    Each counts as 2.5 s of the most that may have been sent: under the usual one, the house is silent after three.
    """
    room = debian / "srv/residue/room.toml"
    text = room.read_text(encoding="utf-8").replace('device = "silent"', 'device = "gallery"')
    text = text.replace("limit_dbfs = -20.0", "limit_dbfs = 6.0")
    assert "limit_dbfs = 6.0" in text
    room.write_text(f"{text}\n[page]\nport = {PAGE_PORT}\n", encoding="utf-8")
    (debian / "root/recorder.py").write_text(RECORDER, encoding="utf-8")


@pytest.fixture(scope="module")
def computer(machine: Machine, tmp_path_factory: pytest.TempPathFactory) -> Iterator[VirtualMachine]:
    with running(machine, tmp_path_factory.mktemp("first"), datetime.now(UTC), "rw") as one:
        plays(one)
        yield one


def end_of_sound(computer: VirtualMachine, ended_by: str) -> NDArray[np.float32]:
    """The last second of one output before silence; ended_by: what ends it, with {process} for the daemon's number."""
    begun = "systemctl show residue -P StatusText | grep -q '^playing [a-z-]* 0:[1-3][0-9]'"  # it has risen by then
    computer.run(f"until {begun}; do sleep 0.5; done")
    recorder = "/opt/residue/.venv/bin/python -B /root/recorder.py"
    computer.run(f"rm -f /run/end.raw; systemd-run --quiet --collect --unit=recorder {recorder}")
    computer.run("until test -e /run/recording; do sleep 0.1; done")
    computer.run(ended_by.format(process=shown(computer, "MainPID")))
    computer.run("while test -e /run/recording; do sleep 0.5; done")
    return np.frombuffer(base64.b64decode(computer.run("base64 -w0 /run/end.raw")), np.float32)


def last_millisecond(sound: NDArray[np.float32]) -> float:
    """Its highest sample, as a share of the effective value of the half second in the middle."""
    usual = np.sqrt(np.mean(np.square(sound[RATE_HZ // 4 : -RATE_HZ // 4].astype(float))))
    assert usual > 1e-3, "it sounded"
    return float(np.max(np.abs(sound[-RATE_HZ // 1_000 :])) / usual)


def is_back(computer: VirtualMachine, killed: str) -> None:
    """Asserts that systemd started the house again after this process of it."""
    plays(computer)
    assert shown(computer, "MainPID") != killed
    sounds(computer)


@pytest.mark.parametrize(
    "ended_by",
    [
        pytest.param("kill -KILL {process}", id="kill"),
        pytest.param("systemctl kill --kill-who=main --signal=KILL residue", id="systemctl kill of the daemon"),
        pytest.param(OUT_OF_MEMORY, id="out of memory"),
    ],
)
def test_the_sound_fades_out_where_the_daemon_ends(computer: VirtualMachine, ended_by: str) -> None:
    """A straight line over 0.1 s is at 1 in 100 a millisecond before its end; no sample is four times the usual."""
    killed = shown(computer, "MainPID")
    assert last_millisecond(end_of_sound(computer, ended_by)) < 0.04
    is_back(computer, killed)


def test_a_kill_of_all_processes_at_once_breaks_it_off(computer: VirtualMachine) -> None:
    """Nobody is left who could fade: README.md says so. A murmur of 30 to 200 Hz moves little within a millisecond."""
    killed = shown(computer, "MainPID")
    assert last_millisecond(end_of_sound(computer, "systemctl kill --signal=KILL residue")) > 0.04
    is_back(computer, killed)


def test_the_kernel_may_end_the_page_for_want_of_memory_and_nobody_hears_it(computer: VirtualMachine) -> None:
    plays(computer)
    daemon, before = shown(computer, "MainPID"), card(computer)["trigger_time"]
    (page,) = computer.run("pgrep --full [r]esidue.page.serving").split()  # not the shell that asks
    computer.run(f"{OUT_OF_MEMORY.format(process=page)}; while kill -0 {page}; do sleep 0.5; done")
    assert any("killed by the OOM killer" in entry["MESSAGE"] for entry in journal(computer)), "by the kernel"
    computer.run("sleep 5")
    assert (shown(computer, "MainPID"), card(computer)["trigger_time"]) == (daemon, before)
    sounds(computer)


@pytest.fixture(scope="module")
def loop_disk(computer: VirtualMachine) -> VirtualMachine:
    """Its state folder lies on a disk that can be slow, and is not yet."""
    plays(computer)
    computer.run(DISK)
    plays(computer)
    return computer


def slower(computer: VirtualMachine, delay_ms: int) -> None:
    """From now on the disk answers each request so much later."""
    computer.run(SLOWER.format(delay_ms=delay_ms))


def health(computer: VirtualMachine) -> dict[str, Any]:
    told: dict[str, Any] = json.loads(computer.run("residue status --json"))["health"]
    return told


def told_slow(computer: VirtualMachine) -> bool:
    return any("the disk has not answered for" in alarm for alarm in health(computer)["alarms"])


def test_a_disk_that_answers_late_is_told_and_not_heard(loop_disk: VirtualMachine) -> None:
    daemon, before = shown(loop_disk, "MainPID"), card(loop_disk)["trigger_time"]
    late_before = health(loop_disk)["late_blocks"]  # such as at the start, on a processor that is emulated
    slower(loop_disk, DELAY_MS)
    while not told_slow(loop_disk):
        loop_disk.run("sleep 1")
    loop_disk.run("sleep 30")
    assert health(loop_disk)["late_blocks"] == late_before
    slower(loop_disk, 0)
    loop_disk.run("sleep 20")
    assert not told_slow(loop_disk)
    plays(loop_disk)
    sounds(loop_disk)
    assert health(loop_disk)["late_blocks"] == late_before
    assert (shown(loop_disk, "MainPID"), card(loop_disk)["trigger_time"]) == (daemon, before), "without a gap"


def test_what_was_sent_meanwhile_is_in_the_log(loop_disk: VirtualMachine) -> None:
    """A row a second, apart from the rests of the programme."""
    ended = [datetime.fromisoformat(utc) for (utc,) in logged(loop_disk, "SELECT utc FROM second ORDER BY rowid")]
    assert len(ended) > 60
    [(begun, start)] = logged(loop_disk, f"SELECT rowid, utc FROM event WHERE rowid = {LAST_START}")
    of_this_run = [one for one in ended if one > datetime.fromisoformat(start)]
    assert max(after - before for before, after in pairwise(of_this_run)) < timedelta(seconds=REST_S + 3)
    # The starts after the kills above tell of the seconds until them: those are of other runs.
    assert logged(loop_disk, f"SELECT text FROM event WHERE kind = 'not logged' AND rowid > {begun}") == []
