"""[[equipment]] of room.toml: devices that are switched on before the opening and off after closing."""

from __future__ import annotations

import asyncio
import re
import socket
from typing import Annotated, Literal

import msgspec
from msgspec import Meta
from pythonosc.osc_message_builder import OscMessageBuilder

from residue.checking import check_device_nodes, ip_address, opened_by
from residue.schedule import projector
from residue.schedule.switching import SwitchError

_WAKE_PORT = 9
"""Discard (RFC 863): the usual port for a wake-up packet; the port does not matter to the receiver."""


class Equipment(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True, tag_field="kind"):
    """One piece of equipment. All are switched on in the order of the file, and off in the opposite order."""

    name: Annotated[str, Meta(min_length=1)]
    """A unique name, for status and log."""
    on_before_s: Annotated[float, Meta(ge=0, le=86_400)] = 0.0
    """The time before the opening at which it is switched on."""
    off_after_s: Annotated[float, Meta(ge=0, le=86_400)] = 0.0
    """The time after closing at which it is switched off."""
    timeout_s: Annotated[float, Meta(gt=0, le=120)] = 10.0
    """The longest time for one try."""
    tries: Annotated[int, Meta(ge=1, le=10)] = 3
    """The number of tries at once; after them it is tried again every minute."""
    if_it_fails: Literal["go on", "stop here"] = "go on"
    """Whether the equipment after it is still switched on; the hours continue in any case."""

    async def switch(self, *, on: bool) -> None:
        """Switches it once. Raises SwitchError or OSError on failure."""
        raise TypeError(f"{type(self).__name__} does not say how it is switched")


class OscEquipment(Equipment, frozen=True, kw_only=True, forbid_unknown_fields=True, tag="osc"):
    """Equipment that is switched by an OSC message over UDP, without a confirmation."""

    host: str
    """The address of the receiver."""
    port: Annotated[int, Meta(ge=1, le=65_535)]
    """Its UDP port."""
    on_address: str
    """The OSC address that switches it on."""
    on_values: tuple[int | float | str, ...] = ()
    """What is sent with it."""
    off_address: str
    """The OSC address that switches it off."""
    off_values: tuple[int | float | str, ...] = ()
    """What is sent with it."""

    def __post_init__(self) -> None:
        ip_address(self.host)
        for address in (self.on_address, self.off_address):
            if not address.startswith("/"):
                raise ValueError(f"'{address}' is not an OSC address. Begin it with a slash, such as /amplifier/power.")

    async def switch(self, *, on: bool) -> None:
        """Sends one message."""
        message = OscMessageBuilder(self.on_address if on else self.off_address)
        for value in self.on_values if on else self.off_values:
            message.add_arg(value)
        _send(message.build().dgram, self.host, self.port)


class CommandEquipment(Equipment, frozen=True, kw_only=True, forbid_unknown_fields=True, tag="command"):
    """Equipment that is switched by a program of this machine, which must end with 0. It runs without a shell."""

    on: Annotated[tuple[str, ...], Meta(min_length=1)]
    """The program that switches it on, and its arguments."""
    off: Annotated[tuple[str, ...], Meta(min_length=1)]
    """The program that switches it off, and its arguments."""
    device_nodes: tuple[str, ...] = ()
    """Devices that it opens, such as /dev/ttyUSB0. A word of `on` or `off` that begins with /dev/ counts too."""
    hosts: tuple[str, ...] = ()
    """Machines that the program reaches over the network, by their IP addresses."""

    def __post_init__(self) -> None:
        check_device_nodes(self.device_nodes)
        for host in self.hosts:
            ip_address(host)

    @property
    def opened(self) -> tuple[str, ...]:
        """Every device node that its program opens, once."""
        return opened_by(self.device_nodes, *self.on, *self.off)

    async def switch(self, *, on: bool) -> None:
        """Runs the program; ends it if it takes too long."""
        words = self.on if on else self.off
        nowhere = asyncio.subprocess.DEVNULL
        process = await asyncio.create_subprocess_exec(*words, stdin=nowhere, stdout=nowhere, stderr=nowhere)
        try:
            status = await process.wait()
        except asyncio.CancelledError:
            process.kill()
            await process.wait()
            raise
        if status != 0:
            raise SwitchError(f"The program {words[0]} ended with {status}.")


class ProjectorEquipment(Equipment, frozen=True, kw_only=True, forbid_unknown_fields=True, tag="projector"):
    """A projector or display that speaks PJLink, class 1."""

    host: str
    """The address of the projector."""
    port: Annotated[int, Meta(ge=1, le=65_535)] = projector.PORT
    """Its TCP port."""
    password: str = ""
    """Its PJLink password, if it has one."""

    def __post_init__(self) -> None:
        ip_address(self.host)

    async def switch(self, *, on: bool) -> None:
        """Switches it on, or off."""
        await projector.set_power(self.host, self.port, self.password, on=on)


class WakeEquipment(Equipment, frozen=True, kw_only=True, forbid_unknown_fields=True, tag="wake-on-lan"):
    """A computer that is woken over the network; it is not switched off."""

    mac: str
    """The hardware address of its network card."""
    broadcast: str = "255.255.255.255"
    """The broadcast address of its network."""
    port: Annotated[int, Meta(ge=1, le=65_535)] = _WAKE_PORT
    """The UDP port; every port works."""

    def __post_init__(self) -> None:
        ip_address(self.broadcast)
        if not re.fullmatch(r"([0-9A-Fa-f]{2}[:-]){5}[0-9A-Fa-f]{2}", self.mac):
            raise ValueError(f"'{self.mac}' is not a hardware address. Write it as 02:00:5e:10:00:01.")

    async def switch(self, *, on: bool) -> None:
        """Sends the wake-up packet: six bytes of ones, then the address sixteen times (AMD, Magic Packet, 1995)."""
        if on:
            _send(b"\xff" * 6 + bytes.fromhex(re.sub("[:-]", "", self.mac)) * 16, self.broadcast, self.port)


AnyEquipment = OscEquipment | CommandEquipment | ProjectorEquipment | WakeEquipment
"""The kinds of [[equipment]], by the key `kind`."""


def _send(datagram: bytes, host: str, port: int) -> None:
    with socket.socket(socket.AF_INET6 if ":" in host else socket.AF_INET, socket.SOCK_DGRAM) as sender:
        sender.setsockopt(socket.SOL_SOCKET, socket.SO_BROADCAST, 1)
        sender.sendto(datagram, (host, port))
