"""Every command that README and guides print runs as it is printed, in the order in which it stands.

Each document has a machine of its own: folders in which the demo's evenings are short and the paths of a real machine
lead into these folders. What needs root, a device, a person or a running systemd is named here, one by one.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from pathlib import Path

import pytest

from deploy.tables import ROOT
from tests.deploy.guide import PRINTED, Block, all_blocks, blocks, commands, printed_commands
from tests.deploy.printed_machine import PrintedMachine, printed_machine

GUIDES = ROOT / "deploy" / "guides"
ORDER = [
    ROOT / "README.md",
    *(GUIDES / f"{name}.md" for name in ("artist", "technician", "curator", "running", "keeping")),
]

ELSEWHERE: Mapping[str, str] = {
    "sh deploy/demo": "installs packages and plays for a minute; tests/machine/test_package.py has a Debian for it",
    "sh deploy/test": "runs this test",
    "sudo sh deploy/install": "changes the system; test_install.py runs it with DESTDIR, tests/machine on a machine",
    "sudo sh deploy/install --remove": "the same",
    "sudo residue unit /srv/residue --install": "writes below /etc/systemd; test_unit_files.py writes into a folder",
    "sudo sh deploy/install --share": "installs Samba; tests/machine/test_share.py runs it in a Debian of its own",
    "sudo smbpasswd -a residue-curator": "the same",
    "sudo residue share /srv/residue --install": "writes below /etc/samba; test_sharing.py writes into a folder",
    "sudo residue calibrate /srv/residue --microphone": "needs a sound calibrator; test_microphone.py has a tone",
    "sudo /opt/residue/.venv/bin/python -m pip install sacn": "needs a package index; test_daemon_light.py has a lamp",
    "journalctl -u residue --since today": "needs systemd; tests/machine/test_unit.py reads the journal",
    "sudo chgrp audio /srv/residue/room.toml": "needs root and the group audio",
    "sudo adduser NAME audio": "changes the users of the machine",
    "sudo mount -o remount,rw /": "changes the machine",
    'export PATH="$PWD/.venv/bin:$PATH"': "lasts in the shell of a person; here residue is in the PATH already",
    "cd /opt/residue": "each command starts there",
    "residue devices": "a machine without a sound device answers 1; tests/output/test_device_list.py has some",
}
"""Not run here, with the reason."""
UNANSWERED: Mapping[str, str] = {
    "README.md: playing first-batch 3:58, mass | well | A 84.0 C 93.2 dB": "what the demo shows, which is not run",
    "curator.md: trim: -6 dB": "what a curator writes into a calendar",
    "keeping.md: # ? Which channel of the device feeds it, counted from 1?": "what stands in the room.toml of unpack",
}
"""Texts that no command before them has printed, with the reason."""


def calibrated(machine: PrintedMachine, command: str) -> str:
    """Needs a person with a meter: this one goes as far as the first question."""
    machine.stop()
    shown = machine.with_a_person(command, "The meter reads")
    assert "Ended. What was written before stays written." in shown, shown
    return shown


def toned(machine: PrintedMachine, command: str) -> str:
    """Needs a person, who hears it and ends it."""
    machine.stop()
    shown = machine.with_a_person(command, "Enter: 3 dB louder")
    assert "left is output 1 of 3" in shown, shown
    return shown


def shared(machine: PrintedMachine, command: str) -> str:
    """With the table that the guide has before it, whose folder is one of this machine of folders."""
    room = machine.root / "srv/residue/room.toml"
    before = room.read_text(encoding="utf-8")
    room.write_text(f'{before}\n[hours_folder]\npath = "{machine.root}/srv/residue-hours"\n', encoding="utf-8")
    shown = machine.run(command)
    room.write_text(before, encoding="utf-8")
    assert "valid users = residue-curator" in shown
    return shown


def started(machine: PrintedMachine, command: str) -> str:
    """Needs systemd: the daemon runs as a child of this test."""
    machine.stop()
    machine.start()
    return ""


def stopped(machine: PrintedMachine, command: str) -> str:
    """Needs systemd: the child is ended."""
    machine.stop()
    return ""


def shortly(machine: PrintedMachine, command: str) -> str:
    """Plays in real time: so it ends after a second instead of two minutes."""
    machine.stop()
    return machine.run(command.replace("--for-s 120", "--for-s 1"))


def recorded(machine: PrintedMachine, command: str) -> str:
    """Needs sensors on a body: here nothing arrives, and it ends after two seconds instead of by Ctrl-C."""
    return machine.run(f"{command} --for-s 2")


def listened(machine: PrintedMachine, command: str) -> str:
    """Needs somebody with headphones, who ends it with Ctrl-C."""
    return machine.run(f"{command} --from-s 10 --device silent --for-s 1")


def swapped_back(machine: PrintedMachine, command: str) -> str:
    """Needs a house that has taken the new performance: it runs until it has."""
    machine.start("opt/residue/dough")
    for _ in range(200):
        if machine.succeeds(command):
            break
    else:
        raise AssertionError("The swap was never taken.")
    machine.stop()
    return ""


def packaged(machine: PrintedMachine, command: str) -> str:
    """Needs a package registry for the build: what pip would install is put in place by hand."""
    machine.install_nodes()
    return ""


def copied(machine: PrintedMachine, command: str) -> str:
    """On a machine without an installation."""
    machine.run("rm -rf /srv/residue")
    return machine.run(command)


STAND_INS: Mapping[str, Callable[[PrintedMachine, str], str]] = {
    "sudo cp -r archives/night-dough /srv/residue": copied,
    "sudo residue calibrate /srv/residue --state /var/lib/residue": calibrated,
    "sudo residue calibrate /srv/residue --tone left --state /var/lib/residue": toned,
    "sudo residue run /srv/residue --for-s 120 --state /var/lib/residue": shortly,
    "residue share /srv/residue": shared,
    "sudo systemctl restart residue": started,
    "sudo systemctl start residue": started,
    "sudo systemctl stop residue": stopped,
    "residue swap dough --back --in-place-of first-batch": swapped_back,
    "residue listen dough --performance first-batch --from-s 60": listened,
    "residue record dough --into dough/performances/fifth-batch": recorded,
    ".venv/bin/pip install ./bakery-nodes": packaged,
}


@pytest.mark.long
@pytest.mark.parametrize("document", ORDER, ids=lambda path: path.name)
def test_what_is_printed_runs_in_the_order_of_the_document(document: Path, tmp_path: Path) -> None:
    shown, unanswered = "", []
    with printed_machine(tmp_path) as machine:
        for block in blocks(document):
            if block.language == "sh":
                shown = "".join(run(machine, command) for command in commands(block))
            elif block.language == "text" and block.name not in UNANSWERED:
                unanswered += missing(block, shown)
                shown = ""
            elif "/" in block.file:
                machine.write(block)
    assert unanswered == []


def run(machine: PrintedMachine, command: str) -> str:
    if command in ELSEWHERE:
        return ""
    return STAND_INS.get(command, PrintedMachine.run)(machine, command)


def missing(block: Block, shown: str) -> list[str]:
    """The lines of a guide that a command does not answer in this order; figures of a measurement may differ."""
    figures = re.compile(r"-?\d+\.\d+")
    lines = iter([figures.sub("0.0", line) for line in shown.splitlines()])
    return [f"{line}\nis not in\n{shown}" for line in block.text.splitlines() if figures.sub("0.0", line) not in lines]


def test_the_order_names_every_document_that_prints_commands() -> None:
    assert sorted(filter(printed_commands, PRINTED)) == sorted(ORDER)


def test_what_is_not_run_or_has_a_stand_in_is_printed_somewhere() -> None:
    assert {*ELSEWHERE, *STAND_INS} <= {command for document in ORDER for command in printed_commands(document)}
    assert UNANSWERED.keys() <= {block.name for block in all_blocks("text")}
