"""What a room asks of the service's unit, and the drop-in that gives it.

Source of the keys and of their words: systemd.resource-control(5), systemd.exec(5).
"""

from __future__ import annotations

import tomllib
from pathlib import Path

import msgspec
import pytest

from residue.archive.performance import ChannelKind
from residue.checking import check
from residue.control.keypad import KeyBinding, Keypad
from residue.control.settings import ControlSettings, FeedTarget
from residue.installation.room import Room
from residue.installation.unit_needs import UnitSetting, drop_in, lacking, needs_of
from residue.light.settings import LampPlace, LightSettings
from residue.live.sensors import Messages, Sensor, Sensors
from residue.loudness.caps.caps import CapEntry
from residue.loudness.outputs.outputs import Output
from residue.notices.settings import AnyNotice, CommandNotice, MailNotice, WebhookNotice
from residue.output.in_step_settings import InStep
from residue.page.settings import PageSettings
from residue.schedule.equipment import (
    AnyEquipment,
    CommandEquipment,
    OscEquipment,
    ProjectorEquipment,
    WakeEquipment,
)
from residue.schedule.hours_folder import HoursFolder
from tests.deploy.test_unit import UNIT, analyze

PROJECTOR = ProjectorEquipment(name="wall", host="192.0.2.7")
LAMPS = OscEquipment(name="lamps", host="2001:db8::5", port=9000, on_address="/on", off_address="/off")
OVEN = WakeEquipment(name="oven", mac="02:00:5e:10:00:01", broadcast="192.0.2.255")
RELAY = CommandEquipment(
    name="relay", on=("relay", "/dev/ttyUSB0", "1"), off=("relay", "/dev/ttyUSB0", "0"), hosts=("192.0.2.9",)
)
SHIPPED = {"IPAddressDeny": ["any"], "IPAddressAllow": ["localhost"], "PrivateDevices": ["yes"]}


def room(*equipment: AnyEquipment, control: ControlSettings | None = None) -> Room:
    return Room(
        place="Kitchen",
        device="silent",
        levels_at_the_ear="unknown",
        output={"left": Output(device_channel=1)},
        cap=[CapEntry(quantity="LZeq", window_s=60.0, limit_dbfs=-20.0)],
        control=control or ControlSettings(),
        equipment=list(equipment),
    )


PASSWORD = "/etc/residue/mail-password"
PORTER = MailNotice(
    name="porter",
    host="mail.bakery.example",
    networks=("198.51.100.0/24", "127.0.0.53/32"),
    user="house",
    password_file=PASSWORD,
    sender="house@bakery.example",
    to=("porter@bakery.example",),
)
DESK = WebhookNotice(name="desk", url="https://192.0.2.80/house")
MODEM = CommandNotice(name="modem", run=("/usr/local/bin/send-text",), device_nodes=("/dev/ttyUSB0",))


def telling(*notices: AnyNotice) -> Room:
    return msgspec.structs.replace(room(), notice=list(notices))


def allowed(one: Room, sensors: Sensors | None = None) -> list[str]:
    return [
        setting.value for need in needs_of(one, sensors) for setting in need.settings if setting.key == "IPAddressAllow"
    ]


def test_a_room_that_keeps_to_itself_needs_nothing() -> None:
    alone = room(control=ControlSettings(feed=(FeedTarget(host="127.0.0.1", port=9000),)))
    assert needs_of(alone, None) == ()
    assert not any("=" in line for line in drop_in(()).splitlines())


def test_whom_it_sends_to_is_needed_with_the_key_that_says_so() -> None:
    feeding = ControlSettings(feed=(FeedTarget(host="192.0.2.8", port=9000),))
    told = {need.where: need.what for need in needs_of(room(PROJECTOR, LAMPS, OVEN, RELAY, control=feeding), None)}
    assert told == {
        "room.toml: control.feed[1].host": "192.0.2.8",
        "room.toml: equipment[1].host": "192.0.2.7",
        "room.toml: equipment[2].host": "2001:db8::5",
        "room.toml: equipment[3].broadcast": "192.0.2.255",
        "room.toml: equipment[4].hosts": "192.0.2.9",
        "room.toml: equipment[4]": "/dev/ttyUSB0",
    }


@pytest.mark.parametrize(
    ("listen", "needed"),
    [
        pytest.param("127.0.0.1", [], id="what nobody else can reach is opened to nobody"),
        pytest.param("0.0.0.0", ["192.0.2.0/24", "198.51.100.4"], id="every address of this machine"),
        pytest.param(
            "192.0.2.1", ["192.0.2.1", "192.0.2.0/24", "198.51.100.4"], id="one, from which this machine asks too"
        ),
        pytest.param("fe80::1%eth0", ["fe80::1", "192.0.2.0/24", "198.51.100.4"], id="without the interface"),
    ],
)
def test_whom_it_hears_is_needed_where_it_listens_to_others(listen: str, needed: list[str]) -> None:
    control = ControlSettings(listen=listen, allow=("192.0.2.0/24", "198.51.100.4/32", "127.0.0.1/32"))
    assert allowed(room(control=control)) == needed


@pytest.mark.parametrize(
    ("to", "needed"),
    [
        ("192.0.2.40", ["192.0.2.40"]),
        ("127.0.0.1", []),
        ("multicast", ["239.255.250.214", "239.255.0.1", "239.255.1.2"]),
    ],
)
def test_lamps_are_reached_at_their_receiver_or_at_the_groups_of_their_universes(to: str, needed: list[str]) -> None:
    """Source: ANSI E1.31-2018, 9.3.1, for the groups; the first is that of discovery."""
    lamps = {name: LampPlace(universe=number, addresses=(1,)) for name, number in (("glow", 1), ("ember", 258))}
    assert allowed(msgspec.structs.replace(room(), light=LightSettings(to=to, lamp=lamps))) == needed


def test_sensors_that_send_messages_are_heard() -> None:
    beats = Sensor(kind=ChannelKind.RR, unit="ms", address="/heart/beat")
    osc = Messages(listen="192.0.2.1", allow=("192.0.2.32/28",))
    assert allowed(room(), Sensors(title="Fourth batch", channel={"chest": beats}, osc=osc)) == [
        "192.0.2.1",
        "192.0.2.32/28",
    ]


def test_whom_a_notice_reaches_is_needed_and_its_secret_is_handed_on() -> None:
    """Source: systemd.exec(5): a SetCredential of the same name counts where the file of LoadCredential is missing."""
    needs = needs_of(telling(PORTER, DESK, MODEM), None)
    assert {need.where: need.what for need in needs} == {
        "room.toml: notice[1].networks": "198.51.100.0/24",
        "room.toml: notice[1]": PASSWORD,
        "room.toml: notice[2]": "192.0.2.80",
        "room.toml: notice[3]": "/dev/ttyUSB0",
    }
    lines = drop_in(needs).splitlines()
    assert {f"LoadCredential=mail-password:{PASSWORD}", "SetCredential=mail-password:missing"} <= set(lines)


@pytest.mark.parametrize(
    ("listen", "needed"), [("127.0.0.1", []), ("192.0.2.5", ["192.0.2.5", "192.0.2.0/24"]), ("::", ["192.0.2.0/24"])]
)
def test_a_page_is_reached_from_the_networks_that_control_allows(listen: str, needed: list[str]) -> None:
    control = ControlSettings(allow=("192.0.2.0/24",))
    assert allowed(msgspec.structs.replace(room(control=control), page=PageSettings(listen=listen))) == needed


@pytest.mark.parametrize(
    ("node", "lines"),
    [
        (
            "/dev/ttyUSB0",
            {"DeviceAllow=char-ttyUSB rw", "SupplementaryGroups=dialout", "After=modprobe@usbserial.service"},
        ),
        (
            "/dev/ttyACM3",
            {"DeviceAllow=char-ttyACM rw", "SupplementaryGroups=dialout", "After=modprobe@cdc_acm.service"},
        ),
        ("/dev/serial/by-id/usb-relay-if00", {"DeviceAllow=char-ttyUSB rw", "DeviceAllow=char-ttyACM rw"}),
        ("/dev/ttyS1", {"DeviceAllow=char-ttyS rw", "SupplementaryGroups=dialout"}),
        ("/dev/hidraw0", {"DeviceAllow=char-hidraw rw"}),
        ("/dev/bus/usb/001/004", {"DeviceAllow=char-usb_device rw"}),
        ("/dev/relay", {"DeviceAllow=/dev/relay rw"}),
    ],
)
def test_a_device_is_opened_by_its_class_so_that_it_may_be_plugged_in_again(node: str, lines: set[str]) -> None:
    relay = CommandEquipment(name="relay", on=("relay", "1"), off=("relay", "0"), device_nodes=(node,))
    assert lines | {"PrivateDevices=no"} <= set(drop_in(needs_of(room(relay), None)).splitlines())


def test_each_line_stands_once_below_the_keys_that_ask_for_it() -> None:
    feed = ControlSettings(feed=(FeedTarget(host="192.0.2.7", port=9000),))
    text = drop_in(needs_of(room(PROJECTOR, control=feed), None))
    assert text.splitlines()[2:] == [
        "[Service]",
        "# room.toml: control.feed[1].host, room.toml: equipment[1].host",
        "IPAddressAllow=192.0.2.7",
    ]


@pytest.mark.parametrize(
    ("given", "missing"),
    [
        pytest.param(SHIPPED, ["192.0.2.7"], id="as it is shipped"),
        pytest.param({**SHIPPED, "IPAddressAllow": ["localhost", "192.0.2.7"]}, [], id="the address itself"),
        pytest.param({**SHIPPED, "IPAddressAllow": ["localhost 192.0.2.0/24"]}, [], id="a network around it"),
        pytest.param({**SHIPPED, "IPAddressAllow": ["192.0.2.0/30"]}, ["192.0.2.7"], id="a network beside it"),
        pytest.param({**SHIPPED, "IPAddressAllow": ["any"]}, [], id="everybody"),
        pytest.param({**SHIPPED, "IPAddressAllow": ["fe80::/64", "?"]}, ["192.0.2.7"], id="others, and no address"),
        pytest.param({}, [], id="a unit that denies nothing"),
    ],
)
def test_what_a_unit_does_not_give_is_found(given: dict[str, list[str]], missing: list[str]) -> None:
    assert [need.what for need in lacking(needs_of(room(PROJECTOR), None), given)] == missing


def test_a_device_is_missing_until_all_its_lines_are_there() -> None:
    needs = needs_of(room(RELAY), None)[1:]
    whole = [setting for need in needs for setting in need.settings]

    def lacks(settings: list[UnitSetting]) -> bool:
        return bool(lacking(needs, {key: [one.value for one in settings if one.key == key] for key, _ in settings}))

    assert not lacks(whole)
    assert all(lacks(whole[:left_out] + whole[left_out + 1 :]) for left_out in range(len(whole)))


@pytest.mark.parametrize(
    ("table", "said"),
    [
        ('kind = "projector"\nhost = "wall.hall.example"', '"wall.hall.example" is not an IP address.'),
        ('kind = "osc"\nhost = "lamps"\nport = 9\non_address = "/on"\noff_address = "/off"', '"lamps" is not an IP'),
        ('kind = "wake-on-lan"\nmac = "02:00:5e:10:00:01"\nbroadcast = "hall"', '"hall" is not an IP address.'),
        ('kind = "command"\non = ["x"]\noff = ["x"]\nhosts = ["relay"]', '"relay" is not an IP address.'),
        ('kind = "command"\non = ["x"]\noff = ["x"]\ndevice_nodes = ["ttyUSB0"]', "'ttyUSB0' is not a device node."),
    ],
)
def test_a_name_is_refused_where_a_unit_takes_addresses(table: str, said: str) -> None:
    raw = tomllib.loads(f'[[equipment]]\nname = "it"\n{table}\n')
    _, findings = check(raw, Room, "room.toml")
    [told] = [str(one) for one in findings if "equipment[1]" in one.where]
    assert said in told


def test_systemd_reads_the_drop_in_without_a_word(tmp_path: Path) -> None:
    """Source: systemd-analyze(1), verify. It would name a key or a value that it does not know."""
    lines = UNIT.read_text(encoding="utf-8").splitlines()
    started = ["ExecStart=/bin/true" if line.startswith("ExecStart=") else line for line in lines]
    (tmp_path / UNIT.name).write_text("\n".join(started), encoding="utf-8")
    (tmp_path / f"{UNIT.name}.d").mkdir()
    whole = msgspec.structs.replace(room(PROJECTOR, LAMPS, OVEN, RELAY), notice=[PORTER, DESK, MODEM])
    text = drop_in(needs_of(whole, None))

    def said(drop_in: str) -> str:
        (tmp_path / f"{UNIT.name}.d" / "room.conf").write_text(drop_in, encoding="utf-8")
        verified = analyze("verify", "--man=no", tmp_path / UNIT.name)
        return verified.stdout + verified.stderr

    assert said(text) == ""
    assert "192.0.2.700" in said(text.replace("192.0.2.7", "192.0.2.700"))


def test_the_folder_of_the_hours_may_be_written_and_its_calendar_reached() -> None:
    folder = HoursFolder(
        path="/srv/residue-hours", calendar_url="https://192.0.2.7/house.ics", calendar_networks=("198.51.100.0/24",)
    )
    needs = needs_of(msgspec.structs.replace(room(), hours_folder=folder), None)
    settings = [setting for need in needs for setting in need.settings]
    assert settings == [
        UnitSetting("ReadWritePaths", "-/srv/residue-hours"),
        UnitSetting("IPAddressAllow", "198.51.100.0/24"),
        UnitSetting("IPAddressAllow", "192.0.2.7"),
    ]
    shipped = {**SHIPPED, "ReadWritePaths": ["-/srv/residue/performances"]}
    assert lacking(needs, shipped) == list(needs)
    given = {"ReadWritePaths": ["-/srv/residue/performances", "-/srv/residue-hours"], "IPAddressAllow": ["any"]}
    assert lacking(needs, {**SHIPPED, **given}) == []


def test_a_keypad_may_be_opened_wherever_it_is_plugged_in() -> None:
    """Source of the group: Debian's 50-udev-default.rules; of the class: /proc/devices, 13 input."""
    keys = (KeyBinding(key="KEY_KP1", does="hold"),)
    for device in ("4-key pad", "/dev/input/by-id/usb-Pad-event-kbd"):
        [need] = needs_of(msgspec.structs.replace(room(), keypad=Keypad(device=device, key=keys)), None)
        assert need.where == "room.toml: keypad.device"
        assert need.settings == (
            UnitSetting("PrivateDevices", "no"),
            UnitSetting("DeviceAllow", "char-input rw"),
            UnitSetting("SupplementaryGroups", "input"),
        )


def test_a_room_in_step_may_ask_how_good_the_clock_is_and_may_not_set_it() -> None:
    needs = needs_of(msgspec.structs.replace(room(), in_step=InStep()), None)
    assert [setting for need in needs for setting in need.settings] == [
        UnitSetting("ProtectClock", "no"),
        UnitSetting("SystemCallFilter", "adjtimex clock_adjtime"),
    ]
    assert lacking(needs, SHIPPED) == list(needs)
    assert "\nCapabilityBoundingSet=\n" in UNIT.read_text(encoding="utf-8"), "so the kernel only answers"
    assert needs_of(room(), None) == ()
