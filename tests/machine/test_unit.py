"""The unit under a real systemd, on a computer of its own that plays into the kernel's dummy card.

It is installed by deploy/install, comes up with its root file system writable, has its power cut while it plays, and
comes up again with a root that is read-only and /var on a disk of its own. What is looked at is what a technician
would look at: systemctl, the journal, the status line, the kernel's account of the sound card.
"""

from __future__ import annotations

import json
import os
import shutil
import subprocess
from collections.abc import Iterator

import pytest

from tests.machine.debian import ROOT, copied, disks, within
from tests.machine.needs import need
from tests.machine.virtual_machine import Machine, VirtualMachine, running
from tests.runtime.kitchen import build

pytestmark = [pytest.mark.machine, pytest.mark.timeout(1_800)]

SLOW = "[Service]\nTimeoutStartSec=900\nTimeoutAbortSec=60\nTimeoutStopSec=60\n"
"""An emulated processor is twenty times slower than a real one, and needs so long to read the program."""
PORT = 47_300
CARD = "/proc/asound/card0/pcm0p/sub0"
PATIENCE_S = 900.0


@pytest.fixture(scope="module")
def machine(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Machine]:
    """A Debian with residue installed as by a technician, and a short piece in place of the demo."""
    need("qemu-system-x86_64", "mmdebstrap", "mke2fs", root=True)
    folder = tmp_path_factory.mktemp("machine")
    debian = copied(folder)
    subprocess.run(["/bin/sh", ROOT / "deploy" / "install"], env={**os.environ, "DESTDIR": str(debian)}, check=True)
    shutil.rmtree(debian / "srv/residue")
    piece = build(folder, PORT, duration_s=60.0)
    shutil.copytree(piece, debian / "srv/residue")
    room = debian / "srv/residue/room.toml"
    room.write_text(room.read_text().replace('device = "silent"', 'device = "gallery"'))
    # Planned beforehand: for the guest that is many minutes of work.
    planned = "/opt/residue/.venv/bin/python -I -m residue.runtime.planning /srv/residue /var/cache/private/residue"
    within(debian, f"cd / && {planned}")
    slow = debian / "etc/systemd/system/residue.service.d/slow.conf"
    slow.parent.mkdir()
    slow.write_text(SLOW)
    made = disks(debian, folder)
    yield made
    shutil.rmtree(folder)


@pytest.fixture(scope="module")
def computer(machine: Machine, tmp_path_factory: pytest.TempPathFactory) -> Iterator[VirtualMachine]:
    """It is up, and the house plays."""
    with running(machine, tmp_path_factory.mktemp("first")) as one:
        plays(one)
        yield one


@pytest.fixture(scope="module")
def after_the_cut(
    computer: VirtualMachine, machine: Machine, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[VirtualMachine]:
    """The power was cut while it played; it is up again, and its root is read-only."""
    plays(computer)
    computer.cut()
    with running(machine, tmp_path_factory.mktemp("second"), writable=False) as one:
        yield one


def plays(computer: VirtualMachine) -> None:
    """Until the status line that the unit tells systemd says so."""
    computer.until("systemctl show residue -P StatusText | grep -q '^playing'", PATIENCE_S)


def shown(computer: VirtualMachine, what: str) -> str:
    return computer.run(f"systemctl show residue -P {what}").strip()


def journal(computer: VirtualMachine, more: str = "") -> list[dict[str, str]]:
    return [json.loads(line) for line in computer.run(f"journalctl -u residue -o json {more}").splitlines()]


def position(computer: VirtualMachine) -> int:
    """How many frames the card has taken."""
    status = dict(line.split(":", 1) for line in computer.run(f"cat {CARD}/status").splitlines() if ":" in line)
    return int(next(value for key, value in status.items() if key.strip() == "hw_ptr"))


def sounds(computer: VirtualMachine) -> bool:
    before = position(computer)
    computer.run("sleep 3")
    return position(computer) - before > 48_000


def test_it_is_ready_and_sounds_from_boot_on(computer: VirtualMachine) -> None:
    assert (shown(computer, "ActiveState"), shown(computer, "Type"), shown(computer, "NRestarts")) == (
        *("active", "notify", "0"),
    )
    assert "rate: 48000" in computer.run(f"cat {CARD}/hw_params")
    assert sounds(computer)
    assert computer.run("systemctl --failed --no-legend") == ""


def test_its_engine_has_the_real_time_that_the_unit_allows(computer: VirtualMachine) -> None:
    """Scheduling class FF is SCHED_FIFO. Source: ps(1)."""
    threads = computer.run("ps -L -o comm=,cls=,rtprio= -p $(systemctl show residue -P MainPID)")
    assert "FF" in threads


def test_it_exposes_the_machine_no_more_than_it_must(computer: VirtualMachine) -> None:
    computer.run("systemd-analyze security --threshold=15 residue")


def test_its_messages_carry_the_fields_that_one_searches_by(computer: VirtualMachine) -> None:
    """Source: systemd.journal-fields(7)."""
    own = [entry for entry in journal(computer) if entry.get("_TRANSPORT") == "stdout"]
    assert {entry["SYSLOG_IDENTIFIER"] for entry in own} == {"residue"}
    assert {entry["_SYSTEMD_UNIT"] for entry in own} == {"residue.service"}
    started = next(entry for entry in own if entry["MESSAGE"].startswith("started"))
    assert started["PRIORITY"] == "6"
    assert not any(entry["MESSAGE"].startswith("<") for entry in own), "priorities are fields, not text"


def test_a_process_that_hangs_is_ended_by_the_watchdog_and_started_again(computer: VirtualMachine) -> None:
    stopped = shown(computer, "MainPID")
    computer.run(f"kill -STOP {stopped}")
    computer.until("test $(systemctl show residue -P NRestarts) -ge 1", PATIENCE_S)
    plays(computer)
    told = [entry["MESSAGE"] for entry in journal(computer)]
    assert any("Watchdog timeout" in message for message in told)
    assert any("Fatal Python error: Aborted" in message for message in told), "the stacks of its threads are kept"
    assert shown(computer, "MainPID") != stopped
    assert sounds(computer)


def test_a_clock_that_somebody_sets_is_logged_and_not_heard(computer: VirtualMachine) -> None:
    before = shown(computer, "NRestarts")
    computer.run("date --set='+3 hours'")
    computer.until("journalctl -u residue -o cat | grep -q 'The clock was set by +10'")
    computer.run("date --set='-5 hours'")
    computer.until("journalctl -u residue -o cat | grep -q 'The clock was set by -1'")
    assert sounds(computer)
    computer.run("sleep 12")
    assert shown(computer, "NRestarts") == before, "systemd's watchdog goes by another clock"
    computer.run("date --set='+2 hours'")


def test_installing_again_changes_nothing_and_starts_it_anew(computer: VirtualMachine) -> None:
    told = computer.run("sh /opt/residue/deploy/install 2>&1", patience_s=PATIENCE_S)
    assert told.splitlines()[:-1] == []
    assert shown(computer, "NRestarts") == "0", "it was started, not restarted"
    plays(computer)


def test_a_power_cut_leaves_everything_whole(after_the_cut: VirtualMachine) -> None:
    look = (
        "import json, sqlite3; state = '/var/lib/private/residue/'; json.load(open(state + 'memory.json')); "
        "log = sqlite3.connect(f'file:{state}levels.sqlite?mode=ro', uri=True); "
        "print(log.execute('PRAGMA integrity_check').fetchone()[0]); "
        "print(*(kind for kind, in log.execute('SELECT kind FROM event ORDER BY rowid')))"
    )
    plays(after_the_cut)
    whole, kinds = after_the_cut.run(f'python3 -c "{look}"').splitlines()
    assert whole == "ok"
    assert kinds.split().count("started") >= 4, "what was logged before is still there"


def test_a_root_that_takes_nothing_is_enough_where_var_takes_something(after_the_cut: VirtualMachine) -> None:
    plays(after_the_cut)
    assert "Read-only" in after_the_cut.run("touch /anything 2>&1", check=False)
    assert sounds(after_the_cut)
    assert shown(after_the_cut, "NRestarts") == "0"


def test_removing_it_leaves_the_installation_and_the_log(after_the_cut: VirtualMachine) -> None:
    after_the_cut.run("mount -o remount,rw / && sh /opt/residue/deploy/install --remove", patience_s=PATIENCE_S)
    assert after_the_cut.run("systemctl is-active residue", check=False).strip() == "inactive"
    left = after_the_cut.run(
        "ls -d /opt/residue /usr/local/bin/residue /srv/residue /var/lib/private/residue", check=False
    )
    assert left.split() == ["/srv/residue", "/var/lib/private/residue"]
