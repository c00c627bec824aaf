"""`deploy/install --share` as a whole, under systemd: the curator's computer opens the folder of the hours.

The house plays already when the technician names the folder and runs it, as the guide has it. The curator's computer
is a network of its own within the guest, with Debian's client for SMB.
"""

from __future__ import annotations

import shlex
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest

from residue.runtime.offline.sharing import CURATOR, SHARE
from tests.machine.debian import MORE, with_a_house
from tests.machine.test_unit import PORT, plays, shown
from tests.machine.virtual_machine import VirtualMachine, running

pytestmark = [pytest.mark.machine, pytest.mark.timeout(7_200)]

FOLDER = "/srv/residue-hours"
HOUSE, DESK, STRANGER = "192.0.2.1", "192.0.2.20", "198.51.100.20"
PASSWORD = "rye-and-salt"
NAMED = f"""
[hours_folder]
path = "{FOLDER}"
share_with = ["192.0.2.0/24"]
"""
NETWORK = " && ".join(
    (
        "ip netns add desk",
        "ip link add house type veth peer name desk netns desk",
        f"ip address add {HOUSE}/24 dev house",
        "ip address add 198.51.100.1/24 dev house",
        "ip link set house up",
        f"ip -n desk address add {DESK}/24 dev desk",
        f"ip -n desk address add {STRANGER}/24 dev desk",
        "ip -n desk link set desk up",
    )
)


@pytest.fixture(scope="module")
def computer(tmp_path_factory: pytest.TempPathFactory) -> Iterator[VirtualMachine]:
    """It is up, its house plays, and a network leads to the curator's desk."""
    folder = tmp_path_factory.mktemp("machine")
    with (
        with_a_house(folder, PORT, without_names, packages=MORE) as machine,
        running(machine, tmp_path_factory.mktemp("run"), datetime.now(UTC), "rw") as one,
    ):
        plays(one)
        one.run(NETWORK)
        yield one


def without_names(debian: Path) -> None:
    """Samba's server for names of the time before DNS waits at boot for a network, which there is none of yet."""
    (debian / "etc/systemd/system/nmbd.service").symlink_to("/dev/null")


@pytest.fixture(scope="module")
def shared(computer: VirtualMachine) -> str:
    """What the technician is told."""
    computer.run("cp /etc/samba/smb.conf /root/before.conf")
    computer.run(f"printf %s {shlex.quote(NAMED)} >>/srv/residue/room.toml")
    told = computer.run("sh /opt/residue/deploy/install --share 2>&1")
    computer.run(f"printf '{PASSWORD}\\n{PASSWORD}\\n' | smbpasswd -s -a {CURATOR}")
    plays(computer)
    return told


def smb(computer: VirtualMachine, command: str, *, password: str = PASSWORD, at: str = HOUSE) -> str:
    """What the client of the desk prints, whether it was let in or not."""
    asked = f"smbclient //{at}/{SHARE} --user {CURATOR}%{password} --command {shlex.quote(command)}"
    return computer.run(f"ip netns exec desk {asked} 2>&1", check=False)


def answered(computer: VirtualMachine, word: str) -> str:
    """What the desk reads in the answer once it has this word."""
    computer.run(f"until grep -q {word} {FOLDER}/hours-answer.txt; do sleep 0.5; done")
    smb(computer, "get hours-answer.txt /root/answer.txt")
    return computer.run("cat /root/answer.txt")


def test_it_runs_to_its_end_and_says_what_is_left_to_do(computer: VirtualMachine, shared: str) -> None:
    assert f"{FOLDER} is made." in shared
    assert f"sudo smbpasswd -a {CURATOR}" in shared
    assert shown(computer, "ActiveState") == "active"
    assert computer.run("systemctl --failed --no-legend") == ""


def test_the_desk_reads_the_answer_and_saves_other_hours(computer: VirtualMachine, shared: str) -> None:
    assert "00:00 to 24:00" in answered(computer, "TAKEN")
    assert "hours.toml" in smb(computer, "ls")
    computer.run(f"sed 's/rest_s = 5/rest_s = -5/' {FOLDER}/hours.toml >/root/wrong.toml")
    computer.run(f"sed 's/rest_s = 5/rest_s = 6/' {FOLDER}/hours.toml >/root/right.toml")
    smb(computer, "put /root/wrong.toml hours.toml")
    assert "hours.toml: programme.rest_s" in answered(computer, "REFUSED")
    smb(computer, "put /root/right.toml hours.toml")
    assert "Rests for 6 s after each." in answered(computer, "TAKEN")
    assert "Rests for 6 s" in computer.run("residue hours /srv/residue --days 1")


@pytest.mark.parametrize(
    ("password", "at", "refused"),
    [
        pytest.param("another", HOUSE, "NT_STATUS_LOGON_FAILURE", id="another password"),
        pytest.param(PASSWORD, "198.51.100.1", "NT_STATUS_", id="another network"),
    ],
)
def test_nobody_else_gets_in(computer: VirtualMachine, shared: str, *, password: str, at: str, refused: str) -> None:
    told = smb(computer, "ls", password=password, at=at)
    assert refused in told
    assert "hours.toml" not in told


def test_a_second_run_changes_nothing(computer: VirtualMachine, shared: str) -> None:
    before = computer.run("cat /etc/samba/*.conf; id residue-curator")
    told = computer.run("sh /opt/residue/deploy/install --share 2>&1")
    assert "is made" not in told
    assert computer.run("cat /etc/samba/*.conf; id residue-curator") == before
    plays(computer)
    assert "hours.toml" in smb(computer, "ls")


def test_removing_it_ends_the_share_for_a_desk_that_has_it_open(computer: VirtualMachine, shared: str) -> None:
    """The folder stays, and all that Samba had before; nobody is left who could log in over the network."""
    opened = f"smbclient //{HOUSE}/{SHARE} --user {CURATOR}%{PASSWORD} >/root/open.txt 2>&1"
    computer.run(f"mkfifo /root/typed; ip netns exec desk sh -c '{opened} </root/typed' >/dev/null 2>&1 &")
    computer.run("sleep 1000 >/root/typed 2>/dev/null & sleep 3; echo ls >/root/typed")
    computer.run("until grep -q hours.toml /root/open.txt; do sleep 0.5; done")
    computer.run("sh /opt/residue/deploy/install --remove")
    computer.run(f"test -e {FOLDER}/hours.toml && cmp /etc/samba/smb.conf /root/before.conf")
    assert computer.run("id residue-curator; pdbedit --list; ls /etc/samba/residue-hours.conf", check=False) == ""
    computer.run(": >/root/open.txt; echo ls >/root/typed; sleep 3")
    assert "hours.toml" not in computer.run("cat /root/open.txt")
    assert "hours.toml" not in smb(computer, "ls")
    assert computer.run("systemctl is-active smbd").strip() == "active", "other shares of the machine stay"
