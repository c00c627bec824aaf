"""`deploy/install --share` as a whole, and the curator's computer, which opens the folder of the hours over SMB.

In a Debian of its own, without systemd; Debian's Samba, with a client that is not ours.
"""

from __future__ import annotations

import os
import shutil
import socket
import subprocess
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest

from residue.runtime.house.hours_answer import HoursAnswer
from residue.runtime.house.in_force import InForce
from residue.runtime.house.kept_files import load_in_force
from residue.runtime.offline.sharing import CURATOR, SHARE
from residue.schedule.hours_folder import HoursFolder
from tests.machine.debian import ROOT, copied, within
from tests.machine.needs import need
from tests.notices.servers import free_tcp_port
from tests.runtime import kitchen
from tests.runtime.asking import wait_until

pytestmark = [pytest.mark.machine, pytest.mark.timeout(3_600)]

INSTALL = "sh /opt/residue/deploy/install --share 2>&1"
FOLDER = HoursFolder(path="/srv/residue-hours")
PASSWORD = "rye-and-salt"
NOW = datetime(2026, 3, 3, 0, 30, tzinfo=UTC)


class Office:
    """The curator's computer, and the house that shares the folder; the house looks at it once a second."""

    def __init__(self, debian: Path, port: int, installation: Path, told: str) -> None:
        self.debian, self._port, self.told = debian, port, told
        kitchen.name_hours_folder(installation, debian / FOLDER.path.lstrip("/"))
        state = installation.with_name("state")
        self._in_force = InForce(
            load_in_force(installation, state, by_person=True), state, lambda: NOW, lambda *_: None
        )
        self._answer, self._second = HoursAnswer(), 0.0

    def look(self, seconds: int = 6) -> None:
        for _ in range(seconds):
            self._second += 1.0
            change = self._in_force.look(self._second)
            if change is not None:
                self._in_force.take(change)
            self._answer.look(self._in_force(), self._in_force.hours_outcome, NOW)

    def smb(self, command: str, user: str = f"{CURATOR}%{PASSWORD}") -> subprocess.CompletedProcess[str]:
        at = [f"//127.0.0.1/{SHARE}", "--port", str(self._port), "--user", user, "--command", command]
        return subprocess.run(["chroot", self.debian, "smbclient", *at], capture_output=True, text=True, check=False)

    def save(self, text: str) -> None:
        (self.debian / "root/hours.toml").write_text(text)
        assert self.smb("put /root/hours.toml hours.toml").returncode == 0

    def read(self, name: str) -> str:
        assert self.smb(f"get {name} /root/{name}").returncode == 0
        return (self.debian / "root" / name).read_text()


@pytest.fixture(scope="module")
def office(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Office]:
    need("mmdebstrap", "chroot", root=True)
    folder = tmp_path_factory.mktemp("office")
    debian, installation = copied(folder, "samba", "smbclient"), kitchen.build(folder, port=47_399, duration_s=0.1)
    # Samba writes into its files in place, and they share their place on the disk with those of the kept Debian.
    shutil.copytree(debian / "var/lib/samba", debian / "var/lib/own", symlinks=True)
    shutil.rmtree(debian / "var/lib/samba")
    (debian / "var/lib/own").rename(debian / "var/lib/samba")
    subprocess.run(["/bin/sh", ROOT / "deploy" / "install"], env={**os.environ, "DESTDIR": str(debian)}, check=True)
    shutil.rmtree(debian / "srv/residue")
    shutil.copytree(installation, debian / "srv/residue")
    kitchen.name_hours_folder(debian / "srv/residue", Path(FOLDER.path))
    within(debian, "cp /etc/samba/smb.conf /root/before.conf")
    told = within(debian, INSTALL)
    within(debian, f"printf '{PASSWORD}\\n{PASSWORD}\\n' | smbpasswd -s -a {CURATOR}")
    port = free_tcp_port()
    here = [f"--option=smb ports={port}", "--option=interfaces=lo", "--option=bind interfaces only=yes"]
    command = ["chroot", str(debian), "/usr/sbin/smbd", "--foreground", "--no-process-group", *here]
    # In a group of its own: at its end it ends its whole group.
    with subprocess.Popen(command, stdout=subprocess.DEVNULL, start_new_session=True) as served:
        wait_until(lambda: answers(port), 60.0)
        yield Office(debian, port, installation, told)
        served.terminate()
    shutil.rmtree(folder)


def answers(port: int) -> bool:
    with socket.socket() as one:
        return one.connect_ex(("127.0.0.1", port)) == 0


def test_it_makes_the_folder_and_says_what_is_left_to_do(office: Office) -> None:
    assert f"{FOLDER.path} is made." in office.told
    assert f"Give the curator a password for it: sudo smbpasswd -a {CURATOR}" in office.told
    assert "Let the service in" not in office.told
    drop_in = office.debian / "etc/systemd/system/residue.service.d/room.conf"
    assert f"ReadWritePaths=-{FOLDER.path}" in drop_in.read_text(encoding="utf-8")


def test_a_curator_saves_hours_and_reads_the_answer(office: Office) -> None:
    office.look()
    text = office.read("hours.toml")
    office.save(text.replace('tue = ["00:00-24:00"]', 'tue = ["18:00"]'))
    office.look()
    assert "REFUSED" in office.read("hours-answer.txt")
    office.save(text.replace('tue = ["00:00-24:00"]', 'tue = ["18:00-23:00"]'))
    office.look()
    assert "TAKEN" in office.read("hours-answer.txt")
    assert "Tue 03 Mar 2026  18:00 to 23:00" in office.read("hours-answer.txt")
    assert "BEGIN:VCALENDAR" in office.read("hours-answer.ics")


@pytest.mark.parametrize("user", ["%", "guest%", f"{CURATOR}%another", "root%"])
def test_nobody_else_gets_in(office: Office, user: str) -> None:
    refused = office.smb("ls", user)
    assert refused.returncode != 0
    assert "NT_STATUS_ACCESS_DENIED" in refused.stdout or "NT_STATUS_LOGON_FAILURE" in refused.stdout


def test_a_link_out_of_the_folder_is_not_followed(office: Office) -> None:
    """As a user of the machine itself might put there."""
    link = office.debian / FOLDER.path.lstrip("/") / "notes.txt"
    link.symlink_to("/etc/samba/smb.conf")
    assert office.smb("get notes.txt /root/notes.txt").returncode != 0
    link.unlink()


def test_a_second_run_changes_nothing(office: Office) -> None:
    before = within(office.debian, f"cat /etc/samba/*.conf; id {CURATOR}")
    told = within(office.debian, INSTALL)
    assert "is made" not in told
    assert within(office.debian, f"cat /etc/samba/*.conf; id {CURATOR}") == before
    assert "hours.toml" in office.smb("ls").stdout


def test_removing_it_ends_the_share_and_leaves_the_folder_and_what_samba_had(office: Office) -> None:
    within(office.debian, "sh /opt/residue/deploy/install --remove 2>&1")
    within(office.debian, f"cmp /etc/samba/smb.conf /root/before.conf && test -e {FOLDER.path}/hours.toml")
    assert not (office.debian / "etc/samba/residue-hours.conf").exists()
    assert within(office.debian, f"getent passwd {CURATOR} || true; pdbedit --list") == "", (
        "nobody is left who could log in"
    )
    assert office.smb("ls").returncode != 0
