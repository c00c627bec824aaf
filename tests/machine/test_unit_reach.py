"""What the service may reach and open under a real systemd: what room.toml names, and nothing else.

The hall is a network of its own within the guest, with a projector that speaks PJLink, a receiver of the feed, a
computer that is woken, and a stranger. A relay is a serial line, whose other end is a file of this machine.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest

from tests.machine.debian import with_a_house, within
from tests.machine.test_unit import PORT, plays
from tests.machine.virtual_machine import Machine, VirtualMachine, running

pytestmark = [pytest.mark.machine, pytest.mark.timeout(2_400)]

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
for node in ("/dev/ttyS1", "/dev/vda", "/dev/kmsg", "/dev/null"):
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
    within(debian, "residue unit /srv/residue --install")


@pytest.fixture(scope="module")
def computer(machine: Machine, tmp_path_factory: pytest.TempPathFactory) -> Iterator[VirtualMachine]:
    """It is up, and the house plays beside the hall."""
    with running(machine, tmp_path_factory.mktemp("first"), datetime.now(UTC), "rw") as one:
        one.run(f"systemctl stop residue; {NETWORK} && systemctl start --no-block residue")
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
        "/dev/vda": "EPERM",
        "/dev/kmsg": "EPERM",
        "/dev/null": "done",
    }
    assert computer.run("cat /run/stranger 2>/dev/null", check=False) == ""


def test_it_exposes_the_machine_hardly_more(computer: VirtualMachine) -> None:
    """Fails above 1.5, as without the drop-in. Source: systemd-analyze(1)."""
    computer.run("systemd-analyze security --threshold=15 residue")
