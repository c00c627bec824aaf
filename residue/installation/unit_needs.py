"""The needs of an installation that the unit of its service must permit: addresses, device nodes, secrets.

The supplied unit lets the service reach only this machine, and open only sound devices. A drop-in allows the further
needs of one room. Source of all settings: systemd.resource-control(5), systemd.exec(5), systemd.unit(5).
"""

from __future__ import annotations

import ipaddress
import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import NamedTuple

from residue.checking import DEVICES, is_name
from residue.control.settings import Listening, Network
from residue.installation.load import ROOM
from residue.installation.room import Room
from residue.light.settings import DISCOVERY, MULTICAST
from residue.live.sensors import FILE_NAME as SENSORS
from residue.live.sensors import Sensors
from residue.notices.secret import NONE_GIVEN, credential_name
from residue.notices.settings import host_of
from residue.schedule.equipment import CommandEquipment, OscEquipment, ProjectorEquipment, WakeEquipment


class UnitSetting(NamedTuple):
    """One line of a unit: its key and its value."""

    key: str
    value: str


@dataclass(frozen=True, slots=True)
class UnitNeed:
    """Something that the service reaches or opens, and the lines of a unit that allow it.

    where: the file and the key with the need. what: the address, the network or the device node.
    """

    where: str
    what: str
    settings: tuple[UnitSetting, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Driver:
    """Device nodes of one kind: their class in systemd, its module, and the group that may open them."""

    nodes: str
    character_class: str
    module: str | None = None
    group: str | None = None


_SERIAL = r"serial/by-(id|path)/.+"
_DRIVERS = (
    _Driver(nodes=rf"ttyUSB\d+|{_SERIAL}", character_class="ttyUSB", module="usbserial", group="dialout"),
    _Driver(nodes=rf"ttyACM\d+|{_SERIAL}", character_class="ttyACM", module="cdc_acm", group="dialout"),
    _Driver(nodes=r"ttyS\d+|serial\d+", character_class="ttyS", group="dialout"),
    _Driver(nodes=r"ttyAMA\d+|serial\d+", character_class="ttyAMA", group="dialout"),
    _Driver(nodes=r"hidraw\d+", character_class="hidraw", module="hid"),
    _Driver(nodes=r"bus/usb(/.*)?", character_class="usb_device"),
    _Driver(nodes=r"gpiochip\d+", character_class="gpiochip"),
    _Driver(nodes=r"input/.+", character_class="input", group="input"),
)
"""A class also covers a device that is plugged in again, a node only one that was there at the start.

Sources: devices.txt of the kernel; the groups as in Debian's 50-udev-default.rules, if it is not only root.
"""
ALIASES: Mapping[str, tuple[str, ...]] = {
    "localhost": ("127.0.0.0/8", "::1/128"),
    "any": ("0.0.0.0/0", "::/0"),
    "link-local": ("169.254.0.0/16", "fe80::/64"),
    "multicast": ("224.0.0.0/4", "ff00::/8"),
}
"""Words that mean networks in IPAddressAllow and IPAddressDeny."""
_ALLOW, _DENY = "IPAddressAllow", "IPAddressDeny"
_ASKING_THE_CLOCK = (
    UnitSetting("ProtectClock", "no"),
    UnitSetting("SystemCallFilter", "adjtimex clock_adjtime"),
)
"""Asking, not setting: that would need a capability which the unit does not give. Source: adjtimex(2)."""
_ORDER = frozenset({"Wants", "After"})
"""Keys of the section [Unit]; all others here belong to [Service]."""


def needs_of(room: Room, sensors: Sensors | None) -> tuple[UnitNeed, ...]:
    """All needs of room.toml, and of sensors.toml if there is one; each with its key."""
    needs = [*_listened_to(room.control, f"{ROOM}: control")]
    needs += _addresses((f"{ROOM}: control.feed[{n}].host", one.host) for n, one in enumerate(room.control.feed, 1))
    if (light := room.light) is not None:
        told = [DISCOVERY] if light.to == MULTICAST else []
        told += [receiver for _, receiver in light.receivers()]
        needs += _addresses((f"{ROOM}: light", receiver) for receiver in dict.fromkeys(told))
    if room.page is not None:
        seen = Listening(listen=room.page.listen, port=room.page.port, allow=room.control.allow)
        needs += _listened_to(seen, f"{ROOM}: page, control")
    if sensors is not None:
        needs += _listened_to(sensors.osc, f"{SENSORS}: osc")
    if room.in_step is not None:
        needs.append(UnitNeed(f"{ROOM}: in_step", "the state of the clock", _ASKING_THE_CLOCK))
    if (keypad := room.keypad) is not None:
        node = keypad.device if keypad.device.startswith(DEVICES) else f"{DEVICES}input/event0"  # any: its class counts
        needs.append(UnitNeed(f"{ROOM}: keypad.device", keypad.device, tuple(_opening(node))))
    if (folder := room.hours_folder) is not None:
        where = f"{ROOM}: hours_folder"
        needs.append(UnitNeed(f"{where}.path", folder.path, (UnitSetting("ReadWritePaths", f"-{folder.path}"),)))
        needs += _addresses((f"{where}.calendar_networks", network) for network in folder.calendar_networks)
        if folder.server and folder.server != "localhost" and not is_name(folder.server):
            needs += _addresses([(f"{where}.calendar_url", folder.server)])
    for number, one in enumerate(room.equipment, start=1):
        where = f"{ROOM}: equipment[{number}]"
        match one:
            case OscEquipment() | ProjectorEquipment():
                needs += _addresses([(f"{where}.host", one.host)])
            case WakeEquipment():
                needs += _addresses([(f"{where}.broadcast", one.broadcast)])
            case CommandEquipment():
                needs += _addresses((f"{where}.hosts", host) for host in one.hosts)
                needs += (UnitNeed(where, node, tuple(_opening(node))) for node in one.opened)
    for number, notice in enumerate(room.notice, start=1):
        where = f"{ROOM}: notice[{number}]"
        needs += _addresses((f"{where}.networks", network) for network in notice.networks)
        if (host := host_of(notice)) is not None and host != "localhost" and not is_name(host):
            needs += _addresses([(where, host)])
        needs += (UnitNeed(where, path, _handing(path)) for path in notice.secret_files)
        needs += (UnitNeed(where, node, tuple(_opening(node))) for node in notice.opened)
    return tuple(needs)


def drop_in(needs: Iterable[UnitNeed]) -> str:
    """The drop-in for these needs: each line once, below its keys."""
    asked: dict[UnitSetting, list[str]] = {}
    for need in needs:
        for setting in need.settings:
            asked.setdefault(setting, []).append(need.where)
    lines = ["# What this installation needs beyond residue.service. `residue unit` makes it: do not edit it by hand."]
    for section in ("Unit", "Service"):
        held = {setting: where for setting, where in asked.items() if (setting.key in _ORDER) == (section == "Unit")}
        lines += ["", f"[{section}]"] if held else []
        for setting, where in held.items():
            lines += [f"# {', '.join(dict.fromkeys(where))}", f"{setting.key}={setting.value}"]
    return "\n".join(lines) + "\n"


def lacking(needs: Iterable[UnitNeed], given: Mapping[str, Sequence[str]]) -> list[UnitNeed]:
    """The needs that a unit does not permit; given: the values of each of its keys."""
    return [need for need in needs if not all(_gives(given, setting) for setting in need.settings)]


def _gives(given: Mapping[str, Sequence[str]], setting: UnitSetting) -> bool:
    if setting.key == _ALLOW:
        allowed, denied = (_covers(given.get(key, ()), setting.value) for key in (_ALLOW, _DENY))
        return allowed or not denied
    return setting.value in given.get(setting.key, ())


def _covers(values: Iterable[str], network: str) -> bool:
    inner = ipaddress.ip_network(network)
    outer = (one for one in _networks(values) if one.version == inner.version)
    return any(inner.subnet_of(one) for one in outer)  # type: ignore[arg-type]  # both are of the same version


def _networks(values: Iterable[str]) -> Iterator[Network]:
    """The networks in the unit; unknown words are ignored, as systemd does."""
    for word in (word for value in values for word in value.split()):
        for network in ALIASES.get(word, (word,)):
            try:
                yield ipaddress.ip_network(network, strict=False)
            except ValueError:
                continue


def _listened_to(listening: Listening, where: str) -> Iterator[UnitNeed]:
    """The networks of permitted senders, and the own address, from which requests of this machine itself come."""
    own = ipaddress.ip_address(listening.listen)
    if own.is_loopback:
        return
    if not own.is_unspecified:
        yield from _addresses([(f"{where}.listen", listening.listen)])
    yield from _addresses((f"{where}.allow", network) for network in listening.allow)


def _addresses(hosts: Iterable[tuple[str, str]]) -> Iterator[UnitNeed]:
    """The needs of addresses and networks, with their keys; every unit may reach this machine itself."""
    for where, host in hosts:
        network = ipaddress.ip_network(host.partition("%")[0])  # systemd allows no interface after it
        if not network.is_loopback:
            value = str(network.network_address if network.num_addresses == 1 else network)
            yield UnitNeed(where, host, (UnitSetting(_ALLOW, value),))


def _handing(path: str) -> tuple[UnitSetting, ...]:
    """A secret that the service manager reads for the service; a file that is missing keeps no house from starting.

    Source: systemd.exec(5), SetCredential: where both name a credential, it counts if the file cannot be read.
    """
    name = credential_name(path)
    return UnitSetting("LoadCredential", f"{name}:{path}"), UnitSetting("SetCredential", f"{name}:{NONE_GIVEN}")


def _opening(node: str) -> Iterator[UnitSetting]:
    """The folder /dev of this machine, of which the unit forbids all other nodes; the module first, for its class."""
    yield UnitSetting("PrivateDevices", "no")
    name = node.removeprefix("/dev/")
    drivers = [driver for driver in _DRIVERS if re.fullmatch(driver.nodes, name)]
    if not drivers:
        yield UnitSetting("DeviceAllow", f"{node} rw")
    for driver in drivers:
        if driver.module is not None:
            yield UnitSetting("Wants", f"modprobe@{driver.module}.service")
            yield UnitSetting("After", f"modprobe@{driver.module}.service")
        yield UnitSetting("DeviceAllow", f"char-{driver.character_class} rw")
        if driver.group is not None:
            yield UnitSetting("SupplementaryGroups", driver.group)
