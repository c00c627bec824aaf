"""What the service may reach and open under a real systemd: what room.toml names, and nothing else.

The hall is a network of its own within the guest, with a projector that speaks PJLink, a receiver of the feed, a
computer that is woken, and a stranger. A relay is a serial line, whose other end is a file of this machine. A keypad is
one of the kernel's own (uinput). The root file system is read-only, and the curator's folder is on the disk of /var.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest

from residue.runtime.offline.sharing import prepare
from residue.schedule.hours_folder import HoursFolder
from tests.machine.debian import with_a_house, within
from tests.machine.test_unit import PORT, plays
from tests.machine.virtual_machine import Machine, VirtualMachine, running

pytestmark = [pytest.mark.machine, pytest.mark.timeout(7_200)]

FOLDER = "/var/lib/residue-hours"
PROJECTOR, RECEIVER, STRANGER = "192.0.2.7", "192.0.2.8", "192.0.2.66"
ROOM = f"""
[[control.feed]]
host = "{RECEIVER}"
port = 9000

[[equipment]]
name = "north wall"
kind = "projector"
host = "{PROJECTOR}"

[[equipment]]
name = "oven"
kind = "wake-on-lan"
mac = "02:00:5e:10:00:01"
broadcast = "192.0.2.255"

[[equipment]]
name = "amplifiers"
kind = "command"
on = ["/usr/local/bin/relay", "/dev/ttyS1", "on"]
off = ["/usr/local/bin/relay", "/dev/ttyS1", "off"]

[hours_folder]
path = "/var/lib/residue-hours"

[keypad]
device = "Oven door"

[[keypad.key]]
key = "KEY_KP1"
does = "hold or release"
"""
KEYS = """\
import time
from pathlib import Path

from evdev import UInput, ecodes

with UInput({ecodes.EV_KEY: [ecodes.KEY_KP1]}, name="Oven door keys") as pad:
    Path("/run/plugged").touch()
    while not Path("/run/unplug").exists():
        if Path("/run/press").exists():
            for value in (1, 2, 2, 0):  # pressed, held down, released
                pad.write(ecodes.EV_KEY, ecodes.KEY_KP1, value)
                pad.syn()
            Path("/run/press").unlink()
        time.sleep(0.1)
"""
FEED = """
[node.slow_arm]
kind = "channel"
channel = "forearm"

[node.lamp]
kind = "feed"
input = "slow_arm"
address = "/lamp"
rate_hz = 10
"""
RELAY = '#!/bin/sh\necho "$2" >"$1"\n'
HALL = f"""\
import asyncio
from pathlib import Path


def heard(who, what):
    with Path("/run", who).open("ab") as file:
        file.write(what)


class Receiver(asyncio.DatagramProtocol):
    def __init__(self, who):
        self.who = who

    def datagram_received(self, data, sender):
        heard(self.who, data)


async def projector(reader, writer):
    writer.write(b"PJLINK 0\\r")
    heard("projector", await reader.readuntil(b"\\r"))
    writer.write(b"%1POWR=OK\\r")
    await writer.drain()
    writer.close()


async def main():
    loop = asyncio.get_running_loop()
    for who, at in (("receiver", ("{RECEIVER}", 9000)), ("stranger", ("{STRANGER}", 9000)), ("oven", ("0.0.0.0", 9))):
        await loop.create_datagram_endpoint(lambda who=who: Receiver(who), local_addr=at)
    await (await asyncio.start_server(projector, "{PROJECTOR}", 4352)).serve_forever()


asyncio.run(main())
"""
NETWORK = " && ".join(
    (
        "ip netns add hall",
        "ip link add house type veth peer name hall netns hall",
        "ip address add 192.0.2.1/24 dev house",
        "ip link set house up",
        *(f"ip -n hall address add {own}/24 dev hall" for own in (PROJECTOR, RECEIVER, STRANGER)),
        "ip -n hall link set hall up",
        "systemd-run --quiet --unit=hall ip netns exec hall python3 /root/hall.py",
        "until ip netns exec hall ss -ln | grep -q :4352; do sleep 0.2; done",
    )
)
PROBE = """\
import errno, socket, sys

def tried(act):
    try:
        act()
    except OSError as error:
        return errno.errorcode[error.errno]
    return "done"

def sent(host):
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sender:
        sender.sendto(b"probe", (host, 9001))

open("/sys/fs/cgroup/system.slice/residue.service/cgroup.procs", "w").write("0")
for host in ("192.0.2.7", "192.0.2.8", "192.0.2.66", "192.0.2.9", "127.0.0.1"):
    print(host, tried(lambda: sent(host)))
for node in ("/dev/ttyS1", "/dev/pmem0", "/dev/kmsg", "/dev/null"):
    print(node, tried(lambda: open(node, "rb", buffering=0).close()))
"""
"""Joins the control group of the service, where systemd keeps what may be reached and opened."""


@pytest.fixture(scope="module")
def machine(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Machine]:
    """A Debian with residue, a room with equipment, and the drop-in that `residue unit` makes for it."""
    with with_a_house(tmp_path_factory.mktemp("machine"), PORT, equipped) as one:
        yield one


def equipped(debian: Path) -> None:
    added(debian / "srv/residue/room.toml", ROOM)
    piece = debian / "srv/residue/piece.toml"
    piece.write_text(piece.read_text(encoding="utf-8").replace("\n[[section]]", f"{FEED}\n[[section]]"))
    (debian / "root/hall.py").write_text(HALL, encoding="utf-8")
    (debian / "root/probe.py").write_text(PROBE, encoding="utf-8")
    relay = debian / "usr/local/bin/relay"
    relay.write_text(RELAY, encoding="utf-8")
    relay.chmod(0o755)
    (debian / "root/keys.py").write_text(KEYS, encoding="utf-8")
    prepare(debian / "srv/residue", HoursFolder(path=FOLDER), debian)
    within(debian, "residue unit /srv/residue --install")


@pytest.fixture(scope="module")
def computer(machine: Machine, tmp_path_factory: pytest.TempPathFactory) -> Iterator[VirtualMachine]:
    """It is up, and the house plays beside the hall."""
    with running(machine, tmp_path_factory.mktemp("first"), datetime.now(UTC), "rw") as one:
        one.run(f"systemctl stop residue; mount -o remount,ro / && {NETWORK} && systemctl start --no-block residue")
        plays(one)
        yield one


def added(path: Path, text: str) -> None:
    path.write_text(path.read_text(encoding="utf-8") + text, encoding="utf-8")


def until_heard(computer: VirtualMachine, who: str) -> str:
    """What somebody in the hall has heard, as far as it is text."""
    computer.run(f"until test -s /run/{who}; do sleep 0.5; done")
    return computer.run(f"cat /run/{who} | tr -cd '[:print:]'")


def test_the_projector_is_switched_on(computer: VirtualMachine) -> None:
    """Source: PJLink class 1, section 4.1."""
    assert until_heard(computer, "projector").startswith("%1POWR 1")


def test_the_feed_is_received(computer: VirtualMachine) -> None:
    """Source: OSC 1.0, bundles."""
    told = until_heard(computer, "receiver")
    assert told.startswith("#bundle")
    assert "/lamp" in told


def test_a_computer_on_another_network_is_woken(computer: VirtualMachine) -> None:
    """Six bytes of ones and sixteen times the address. Source: AMD, Magic Packet, 1995."""
    until_heard(computer, "oven")
    assert computer.run("od -An -tx1 -N12 /run/oven").split() == ["ff"] * 6 + ["02", "00", "5e", "10", "00", "01"]


def test_a_relay_at_a_serial_line_is_switched_on(computer: VirtualMachine) -> None:
    computer.run("until journalctl -u residue -o cat | grep -q 'amplifiers is on'; do sleep 0.5; done")
    assert set(computer.serial_line.read_bytes().split()) == {b"on"}


def answered(computer: VirtualMachine, word: str) -> str:
    """What stands in the answer to the curator once it has this word."""
    computer.run(f"until grep -q {word} {FOLDER}/hours-answer.txt; do sleep 0.5; done")
    return computer.run(f"cat {FOLDER}/hours-answer.txt")


def test_the_curator_is_answered_on_a_read_only_root(computer: VirtualMachine) -> None:
    assert computer.run("touch /srv/residue/probe 2>/dev/null; echo $?").strip() == "1", "the root is read-only"
    assert "00:00 to 24:00" in answered(computer, "TAKEN")
    computer.run(f"sed -i 's/rest_s = 5/rest_s = -5/' {FOLDER}/hours.toml")
    assert "hours.toml: programme.rest_s" in answered(computer, "REFUSED")
    computer.run(f"sed -i 's/rest_s = -5/rest_s = 6/' {FOLDER}/hours.toml")
    assert "Rests for 6 s after each." in answered(computer, "TAKEN")
    held = computer.run(f"stat -c '%G %a' {FOLDER}/hours-answer.txt {FOLDER}/hours-answer.ics").splitlines()
    assert held == ["audio 664"] * 2, "the curator's computer can read and replace them"


def plugged_in(computer: VirtualMachine) -> None:
    computer.run("rm -f /run/unplug /run/plugged; modprobe -a uinput evdev")
    computer.run("systemd-run --quiet --collect /opt/residue/.venv/bin/python -B /root/keys.py")
    computer.run("until test -e /run/plugged; do sleep 0.5; done")


def until_told(computer: VirtualMachine, words: str, times: int = 1) -> None:
    """Waits until the journal has so many lines with these words; the test fails where that takes too long."""
    journal = f"journalctl -u residue -o cat | grep -c '{words}'"
    computer.run(f"until [ $({journal}) -ge {times} ]; do sleep 0.5; done")


def pressed(computer: VirtualMachine, until: str) -> str:
    """Presses the key, waits until the house is held (until: "") or no longer ("!"), and tells what it is then."""
    shown = 'residue status --json | grep -q \'"house": "held"\''
    computer.run(f"touch /run/press; until {until} {shown}; do sleep 0.5; done")
    house: str = json.loads(computer.run("residue status --json"))["house"]
    return house


def test_a_key_holds_and_releases_and_a_keypad_may_go_and_come_back(computer: VirtualMachine) -> None:
    plugged_in(computer)
    until_told(computer, "The keypad is there again")
    assert pressed(computer, until="") == "held"
    computer.run("touch /run/unplug")
    until_told(computer, "read. No such device")
    plugged_in(computer)
    until_told(computer, "The keypad is there again", times=2)
    assert pressed(computer, until="!") != "held"


def test_everything_else_stays_shut(computer: VirtualMachine) -> None:
    """EPERM is what both firewalls of a control group answer. Source: systemd.resource-control(5)."""
    told = dict(line.split() for line in computer.run("python3 /root/probe.py").splitlines())
    assert told == {
        "192.0.2.7": "done",
        "192.0.2.8": "done",
        "192.0.2.66": "EPERM",
        "192.0.2.9": "EPERM",
        "127.0.0.1": "done",
        "/dev/ttyS1": "done",
        "/dev/pmem0": "EPERM",
        "/dev/kmsg": "EPERM",
        "/dev/null": "done",
    }
    assert computer.run("cat /run/stranger 2>/dev/null", check=False) == ""


def test_it_exposes_the_machine_hardly_more(computer: VirtualMachine) -> None:
    """Fails above 1.5, as without the drop-in. Source: systemd-analyze(1)."""
    assert (
        computer.run("systemd-analyze security --threshold=15 residue >/dev/null; echo $?", check=False).strip() == "0"
    )
