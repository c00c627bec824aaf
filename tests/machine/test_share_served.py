"""The curator's folder over SMB under a real systemd, as the installer shares it and as the Debian package does.

The office is a network of its own within the guest, from which Debian's client of SMB saves hours; the visitors'
network is another. What is looked at is what the curator reads, and what the running house tells. A minute is one of
the guest's.
"""

from __future__ import annotations

import json
import shlex
from collections.abc import Callable, Iterator, Mapping
from datetime import UTC, datetime, timedelta
from itertools import count
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from residue.runtime.offline.sharing import CURATOR, SHARE
from residue.schedule.hours_folder import ANSWER, ANSWER_CALENDAR
from tests.machine.debian import by_the_installer, by_the_package, with_a_house, within
from tests.machine.test_unit import PORT, plays, shown
from tests.machine.virtual_machine import Machine, VirtualMachine, running
from tests.runtime.kitchen import HOURS

pytestmark = [pytest.mark.machine, pytest.mark.timeout(7_200)]

Install = Callable[[Path], str]

FOLDER = "/srv/residue-hours"
STATE = "/var/lib/private/residue"
PASSWORD = "rye-and-salt"
OFFICE, VISITORS = "office", "visitors"
HOUSE_AT = {OFFICE: "192.0.2.1", VISITORS: "198.51.100.1"}
CALLER_AT = {OFFICE: "192.0.2.7", VISITORS: "198.51.100.7"}
ROOM = f'\n[hours_folder]\npath = "{FOLDER}"\nshare_with = ["192.0.2.0/24"]\n'
NETWORKS = " && ".join(
    f"ip netns add {who} && ip link add to-{who} type veth peer name eth netns {who} && "
    f"ip address add {HOUSE_AT[who]}/24 dev to-{who} && ip link set to-{who} up && "
    f"ip -n {who} address add {CALLER_AT[who]}/24 dev eth && ip -n {who} link set eth up"
    for who in (OFFICE, VISITORS)
)
SHARED_BY: Mapping[Install, str] = {
    by_the_installer: "sh /opt/residue/deploy/install --share 2>&1",
    by_the_package: "{ residue share /srv/residue --install && residue unit /srv/residue --install && "
    "systemctl restart residue; } 2>&1",
}
"""As deploy/guides/running.md has it."""
REMOVED_BY: Mapping[Install, str] = {
    by_the_installer: "sh /opt/residue/deploy/install --remove 2>&1",
    by_the_package: "apt-get --yes --quiet purge residue 2>&1",
}
SWITCHED_ON = datetime.now(UTC)
OFF = timedelta(hours=1)
"""From power to power. The first run is shorter by far."""
RESTS_S = count(6)
"""Another rest each time, by which the curator's files and their answers are told apart."""
LATER = SWITCHED_ON.astimezone(ZoneInfo("Europe/Berlin")) + timedelta(hours=6)
"""Before that hour nothing of this ends."""


@pytest.fixture(scope="module", params=[by_the_installer, by_the_package])
def install(request: pytest.FixtureRequest) -> Install:
    chosen: Install = request.param
    return chosen


@pytest.fixture(scope="module")
def machine(install: Install, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Machine]:
    """Its Debian has Samba, which shares nothing of residue yet."""
    folder = tmp_path_factory.mktemp("machine")
    with with_a_house(folder, PORT, unshared, "samba", "smbclient", install=install) as one:
        yield one


def unshared(debian: Path) -> None:
    within(debian, "cp /etc/samba/smb.conf /root/before.conf")


@pytest.fixture(scope="module")
def told(computer: VirtualMachine, install: Install) -> str:
    """What the technician reads when the folder is shared; the curator has a password then."""
    computer.run(f"printf %s {shlex.quote(ROOM)} >>/srv/residue/room.toml")
    said = computer.run(SHARED_BY[install])
    computer.run(f"printf '{PASSWORD}\\n{PASSWORD}\\n' | smbpasswd -s -a {CURATOR}")
    plays(computer)
    return said


@pytest.fixture(scope="module")
def computer(machine: Machine, tmp_path_factory: pytest.TempPathFactory) -> Iterator[VirtualMachine]:
    """It is up, and nothing is shared yet."""
    with running(machine, tmp_path_factory.mktemp("first"), SWITCHED_ON, "rw") as one:
        one.run(NETWORKS)
        yield one


@pytest.fixture(scope="module")
def shared(computer: VirtualMachine, told: str) -> VirtualMachine:
    assert told
    return computer


@pytest.fixture(scope="module")
def after_a_restart(
    shared: VirtualMachine, machine: Machine, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[VirtualMachine]:
    """Shut down and switched on again by a person."""
    shared.shut_down()
    with running(machine, tmp_path_factory.mktemp("second"), SWITCHED_ON + OFF, "rw") as one:
        one.run(NETWORKS)
        plays(one)
        yield one


def smb(computer: VirtualMachine, command: str, *, by: str = OFFICE, check: bool = True) -> str:
    """What the client of SMB says, in the curator's name."""
    return computer.run(f"{client(by)} --command {shlex.quote(command)}", check=check)


def client(by: str = OFFICE) -> str:
    return f"ip netns exec {by} smbclient //{HOUSE_AT[by]}/{SHARE} --user '{CURATOR}%{PASSWORD}'"


def saves(computer: VirtualMachine, text: str) -> None:
    computer.run(f"printf %s {shlex.quote(text)} >/root/hours.toml")
    smb(computer, "put /root/hours.toml hours.toml")


def answered(computer: VirtualMachine, words: str) -> str:
    """What the curator reads, with these words in it within a minute."""
    get = f"{client()} --command 'get {ANSWER} /root/{ANSWER}' >/dev/null"
    until = f"until {get} && grep -q {shlex.quote(words)} /root/{ANSWER}; do sleep 1; done"
    computer.run(f"timeout 60 sh -c {shlex.quote(until)} || {{ cat /root/{ANSWER} >&2; exit 1; }}")
    smb(computer, f"get {ANSWER_CALENDAR} /root/{ANSWER_CALENDAR}")
    return computer.run(f"cat /root/{ANSWER} /root/{ANSWER_CALENDAR}").replace("\r", "")


def is_taken(computer: VirtualMachine) -> None:
    """Asserts that hours which are saved now are answered within a minute."""
    rest_s = next(RESTS_S)
    saves(computer, HOURS.replace("rest_s = 5", f"rest_s = {rest_s}"))
    told = answered(computer, f"Rests for {rest_s} s after each.")
    assert "TAKEN. The house keeps to:" in told
    assert "BEGIN:VEVENT" in told
    assert computer.run("systemctl --failed --no-legend") == ""


def house(computer: VirtualMachine) -> dict[str, Any]:
    told: dict[str, Any] = json.loads(computer.run("residue status --json"))
    return told


def test_the_service_and_the_share_are_up_and_the_technician_is_told_what_is_left(
    shared: VirtualMachine, told: str
) -> None:
    assert f"{FOLDER} is made." in told
    assert f"Give the curator a password for it: sudo smbpasswd -a {CURATOR}" in told
    assert shared.run("systemctl is-active residue smbd").split() == ["active", "active"]
    assert shown(shared, "ReadWritePaths").split() == ["-/srv/residue/performances", f"-{FOLDER}"]
    assert smb(shared, "ls").count("hours") == 3, "the installation's hours, and both answers to them"


def test_a_curator_closes_and_opens_the_house(shared: VirtualMachine) -> None:
    before = shown(shared, "MainPID")
    saves(shared, HOURS.replace('"00:00-24:00"', f'"{LATER:%H}:00-{LATER:%H}:30"'))
    told = answered(shared, f"{LATER:%H}:00 to {LATER:%H}:30")
    assert "TAKEN" in told
    assert f"DTSTART:{LATER.astimezone(UTC):%Y%m%dT%H}0000Z" in told
    shared.run('until residue status --json | grep -q \'"house": "closed"\'; do sleep 1; done')
    assert house(shared)["opens"].startswith(f"{LATER:%Y-%m-%dT%H}:00")
    is_taken(shared)
    plays(shared)
    assert shown(shared, "MainPID") == before, "it never stopped"


def test_hours_that_cannot_be_are_refused_with_the_reason_and_the_house_keeps_its_own(shared: VirtualMachine) -> None:
    rest_s = next(RESTS_S)
    saves(shared, HOURS.replace("rest_s = 5", f"rest_s = {rest_s}"))
    answered(shared, f"Rests for {rest_s} s after each.")
    saves(shared, HOURS.replace('tue = ["00:00-24:00"]', 'tue = ["18:00-25:00"]'))
    told = answered(shared, "REFUSED")
    assert "hours.toml: weekly: tue: '18:00-25:00' has a time that does not exist." in told
    assert f"Rests for {rest_s} s after each." in told, "as before"
    assert house(shared)["house"] in ("playing", "resting")
    is_taken(shared)


def test_whoever_is_on_another_network_is_not_let_in(shared: VirtualMachine) -> None:
    """NT_STATUS_ACCESS_DENIED or a connection that is closed. Source: smb.conf(5), hosts allow."""
    assert "hours.toml" in smb(shared, "ls")
    assert "hours.toml" not in smb(shared, "ls", by=VISITORS, check=False)


def test_it_goes_on_when_samba_or_the_house_starts_again(shared: VirtualMachine) -> None:
    shared.run("systemctl restart smbd")
    is_taken(shared)
    shared.run("systemctl restart residue")
    is_taken(shared)
    shared.run("systemctl stop smbd; systemctl restart residue; systemctl start smbd")
    is_taken(shared)
    assert house(shared)["house"] in ("playing", "resting")


def test_it_goes_on_after_a_start_of_the_machine(after_a_restart: VirtualMachine) -> None:
    assert "hours-answer.ics" in smb(after_a_restart, "ls")
    is_taken(after_a_restart)


def test_sharing_it_again_changes_nothing_and_keeps_the_password(
    after_a_restart: VirtualMachine, install: Install
) -> None:
    kept = f"cat /etc/samba/*.conf; id {CURATOR}; pdbedit --list; ls -ld {FOLDER}"
    before = after_a_restart.run(kept)
    assert "is made" not in after_a_restart.run(SHARED_BY[install])
    assert after_a_restart.run(kept) == before
    plays(after_a_restart)
    is_taken(after_a_restart)


def test_removing_it_leaves_what_the_guide_says_and_nothing_else(
    after_a_restart: VirtualMachine, install: Install
) -> None:
    """The share, its user, the unit and the program go; installation, hours and log stay."""
    after_a_restart.run(REMOVED_BY[install])
    assert "NT_STATUS_BAD_NETWORK_NAME" in smb(after_a_restart, "ls", check=False)
    assert after_a_restart.run("systemctl is-active smbd").strip() == "active", "what else Samba shares goes on"
    after_a_restart.run(f"cmp /etc/samba/smb.conf /root/before.conf && test -e {FOLDER}/hours.toml")
    assert after_a_restart.run(f"getent passwd {CURATOR}; pdbedit --list", check=False) == ""
    assert after_a_restart.run("systemctl --all --no-legend list-units '*residue*'") == ""
    assert after_a_restart.run("systemctl --failed --no-legend") == ""
    found = after_a_restart.run("find / /run /var -xdev -name '*residue*' -prune")
    assert set(found.split()) == {"/srv/residue", FOLDER, STATE, "/var/lib/residue"}
    others = "--exclude='*-' --exclude=smbd-shares"  # the system's copies of before, and what Samba makes at its starts
    assert after_a_restart.run(f"grep -rIl {others} residue /etc", check=False).split() == []
