"""Notices of a daemon that runs: what is a fault, and that a person's wish is none."""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import pytest

from residue.runtime.daemon.disturbances import Disturbances
from residue.runtime.daemon.status import attention, faults
from residue.runtime.house.house import House
from tests.runtime.asking import until
from tests.runtime.daemon.test_status import NOW, QUIET
from tests.runtime.running import Daemon

COMMAND = """
[[notice]]
kind = "command"
name = "porter"
run = ["{python}", "-c", "import sys; open(sys.argv[1], 'a').write(sys.stdin.read())", "{told}"]
after_s = 0
"""


def test_a_hold_and_a_trim_need_attention_and_are_no_fault() -> None:
    wished = replace(QUIET, house=House(since=NOW, held_by="192.0.2.7", trim_db=-6.0, trimmed_by="192.0.2.7"))
    assert len(attention(wished)) == 2
    assert faults(wished) == []
    hurt = replace(wished, alarms=["The disk is full."], disturbances=Disturbances(losses=1, last_loss=NOW))
    assert [one.split(".")[0] for one in faults(hurt)] == [
        "The disk is full",
        "The sound device was lost at 10:04",
    ]


@pytest.mark.real_time
def test_a_house_without_its_device_tells_the_porter(daemon: Daemon, tmp_path: Path) -> None:
    told = tmp_path / "told"
    with (daemon.installation / "room.toml").open("a", encoding="utf-8") as room:
        room.write(COMMAND.format(python=sys.executable, told=told))
    daemon.start("--device", "no such device")
    until(daemon.port, lambda _: told.exists() and "\nSent " in told.read_text())
    assert told.read_text().startswith("Short Dough, Kitchen: a fault\n\nNew:\n- ")
    assert 'There is no sound device "no such device"' in told.read_text()
    events = until(daemon.port, lambda now: any(event["kind"] == "told" for event in now["events"]))["events"]
    assert "porter was told: Short Dough, Kitchen: a fault." in [event["text"] for event in events]
