from __future__ import annotations

import pytest

from residue.checking import check
from residue.control.keypad import Keypad


def faults(*keys: dict[str, object], device: str = "4-key pad") -> str:
    found, findings = check({"device": device, "key": list(keys)}, Keypad, "room.toml", "keypad")
    assert (found is None) == bool(findings)
    return " ".join(map(str, findings))


HOLD = {"key": "KEY_KP1", "does": "hold or release", "for_s": 1200.0}


@pytest.mark.parametrize(
    ("key", "said"),
    [
        ({**HOLD, "key": "1"}, "'1' is not the name of a key in Linux"),
        ({**HOLD, "does": "louder"}, "does"),
        ({"key": "KEY_KP1", "does": "trim"}, 'trim_db belongs to does = "trim"'),
        ({"key": "KEY_KP1", "does": "next", "trim_db": -6.0}, 'trim_db belongs to does = "trim"'),
        ({"key": "KEY_KP1", "does": "trim", "trim_db": 6.0}, "trim_db"),
        ({"key": "KEY_KP1", "does": "release", "for_s": 10.0}, "for_s belongs to"),
    ],
)
def test_a_fault_is_told_with_its_mend(key: dict[str, object], said: str) -> None:
    assert said in faults(key)


def test_a_keypad_has_a_name_and_each_key_once() -> None:
    assert faults(HOLD, {"key": "BTN_0", "does": "next"}) == ""
    assert "KEY_KP1 is named twice" in faults(HOLD, HOLD)
    assert "The device has no name" in faults(HOLD, device=" ")
    assert "key" in faults()
