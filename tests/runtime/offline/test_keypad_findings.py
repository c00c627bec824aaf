from __future__ import annotations

from collections.abc import Collection

import msgspec
import pytest

from residue.control.input_devices import KeysError
from residue.control.keypad import KeyBinding, Keypad
from residue.runtime.offline.keypad_findings import keypad_findings
from tests.installation.test_unit_needs import room

ROOM = msgspec.structs.replace(room(), keypad=Keypad(device="pad", key=(KeyBinding(key="KEY_KP1", does="hold"),)))


def told(found: Collection[str] | Exception) -> list[str]:
    def keys(_device: str) -> Collection[str]:
        if isinstance(found, Exception):
            raise found
        return found

    return [f"{one.severity}: {one}" for one in keypad_findings(ROOM, keys)]


def test_the_keys_of_the_device_are_listed() -> None:
    assert told({"KEY_KP1", "KEY_KP2"}) == ["notes: room.toml: keypad.device: Its keys: KEY_KP1, KEY_KP2."]


def test_a_key_that_the_device_does_not_have_is_named_with_the_nearest() -> None:
    [warned, listed] = told({"KEY_KP2", "KEY_ENTER"})
    assert warned == "warns: room.toml: keypad.key[1].key: The device has no KEY_KP1. Did you mean KEY_KP2?"
    assert "KEY_ENTER" in listed


@pytest.mark.parametrize(
    ("fault", "said"),
    [
        (KeysError("There is no input device."), "There is no input device."),
        (PermissionError(13, "Permission denied"), "It cannot be read: Permission denied. Run this as root"),
    ],
)
def test_a_device_that_cannot_be_read_is_a_warning(fault: Exception, said: str) -> None:
    [warned] = told(fault)
    assert warned.startswith("warns: ")
    assert said in warned


def test_a_room_without_a_keypad_is_not_looked_at() -> None:
    assert list(keypad_findings(room(), lambda _device: ())) == []
