from __future__ import annotations

import asyncio
import re
import socket
import sys
from pathlib import Path

import msgspec
import pytest
from pythonosc.osc_message import OscMessage

from residue.schedule.equipment import AnyEquipment, CommandEquipment, OscEquipment, WakeEquipment
from residue.schedule.switching import SwitchError


def test_the_kind_tells_what_it_is() -> None:
    raw = [
        {"kind": "projector", "name": "north wall", "host": "192.0.2.7", "on_before_s": 120},
        {"kind": "command", "name": "relay", "on": ["relay", "1"], "off": ["relay", "0"]},
    ]
    kinds = [type(one).__name__ for one in msgspec.convert(raw, list[AnyEquipment])]
    assert kinds == ["ProjectorEquipment", "CommandEquipment"]


@pytest.mark.parametrize(
    ("raw", "message"),
    [
        (
            {"kind": "wake-on-lan", "name": "computer", "mac": "02:00:5e:10:00"},
            "'02:00:5e:10:00' is not a hardware address. Write it as 02:00:5e:10:00:01.",
        ),
        (
            {"kind": "osc", "name": "amplifier", "host": "::1", "port": 9, "on_address": "power", "off_address": "/x"},
            "'power' is not an OSC address. Begin it with a slash, such as /amplifier/power.",
        ),
        ({"kind": "command", "name": "relay", "on": [], "off": ["x"]}, "Expected `array` of length >= 1"),
    ],
)
def test_what_cannot_be_switched_is_refused(raw: dict[str, object], message: str) -> None:
    with pytest.raises(msgspec.ValidationError, match=f"^{re.escape(message)}"):
        msgspec.convert(raw, AnyEquipment)


def received(one: WakeEquipment | OscEquipment, listening: socket.socket) -> bytes:
    asyncio.run(one.switch(on=True))
    return listening.recv(2048)


def test_a_computer_is_woken_by_its_address_sixteen_times() -> None:
    """The packet as AMD's white paper on the Magic Packet (20213, 1995) has it: 6 bytes of FF, 16 times the address."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as listening:
        listening.bind(("127.0.0.1", 0))
        listening.settimeout(5)
        port = listening.getsockname()[1]
        one = WakeEquipment(name="computer", mac="02-00-5E-10-00-01", broadcast="127.0.0.1", port=port)
        packet = received(one, listening)
    assert packet == bytes.fromhex("ff" * 6 + "02005e100001" * 16)
    assert len(packet) == 102


def test_an_osc_message_carries_its_address_and_values() -> None:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as listening:
        listening.bind(("127.0.0.1", 0))
        listening.settimeout(5)
        port = listening.getsockname()[1]
        one = OscEquipment(
            name="amplifier",
            host="127.0.0.1",
            port=port,
            on_address="/power",
            on_values=(1, "hall"),
            off_address="/off",
        )
        message = OscMessage(received(one, listening))
    assert (message.address, message.params) == ("/power", [1, "hall"])


def command(program: str) -> CommandEquipment:
    return CommandEquipment(name="relay", on=(sys.executable, "-c", program), off=("true",))


def test_a_program_that_ends_well_has_switched(tmp_path: Path) -> None:
    asyncio.run(command(f"open({str(tmp_path / 'on')!r}, 'w')").switch(on=True))
    assert (tmp_path / "on").exists()


def test_a_program_that_ends_badly_has_not() -> None:
    with pytest.raises(SwitchError, match=r"^The program .* ended with 3\.$"):
        asyncio.run(command("raise SystemExit(3)").switch(on=True))


def test_a_program_that_does_not_exist_is_told() -> None:
    one = CommandEquipment(name="relay", on=("/nowhere/relay",), off=("true",))
    with pytest.raises(FileNotFoundError):
        asyncio.run(one.switch(on=True))


def test_a_program_that_hangs_is_ended() -> None:
    async def hang() -> None:
        async with asyncio.timeout(0.2):
            await command("import time; time.sleep(60)").switch(on=True)

    with pytest.raises(TimeoutError):
        asyncio.run(hang())
