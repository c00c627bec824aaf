"""Devices are found by the names that the kernel gives, in folders that stand for its own."""

from __future__ import annotations

from pathlib import Path

import pytest

from residue.control.input_devices import KeysError, input_devices, names_of, node_of


@pytest.fixture
def names(tmp_path: Path) -> Path:
    there = {"event0": "Power Button", "event4": "Oven 4-Key Pad", "event12": "Oven 4-Key Pad Consumer"}
    for node, name in there.items():
        (tmp_path / node / "device").mkdir(parents=True)
        (tmp_path / node / "device" / "name").write_text(f"{name}\n")
    (tmp_path / "mouse0").mkdir()
    return tmp_path


def test_a_part_of_a_name_that_no_other_has_is_enough(names: Path) -> None:
    assert node_of("power", names) == Path("/dev/input/event0")
    assert input_devices(names)["event4"] == "Oven 4-Key Pad"


def test_none_and_several_are_told_with_what_to_write(names: Path, tmp_path: Path) -> None:
    with pytest.raises(KeysError, match='Plug it in; there are: "Power Button", "Oven 4-Key Pad'):
        node_of("bell", names)
    with pytest.raises(KeysError, match=r"2 input devices .* by its node in /dev/input/by-id"):
        node_of("4-key", names)
    with pytest.raises(KeysError, match=r"there are: none"):
        node_of("bell", tmp_path / "none")


def test_a_node_may_be_named_itself(tmp_path: Path) -> None:
    (tmp_path / "usb-Pad-event-kbd").write_text("")
    assert node_of(str(tmp_path / "usb-Pad-event-kbd")) == tmp_path / "usb-Pad-event-kbd"
    with pytest.raises(KeysError, match="There is no /dev/input/by-id/usb-Bell"):
        node_of("/dev/input/by-id/usb-Bell")


def test_a_key_with_several_names_answers_to_each() -> None:
    """As KEY_MUTE and KEY_MIN_INTERESTING, which are 113 both: linux/input-event-codes.h."""
    assert names_of("KEY_KP1") == {"KEY_KP1"}
    assert names_of(("KEY_MIN_INTERESTING", "KEY_MUTE")) == {"KEY_MIN_INTERESTING", "KEY_MUTE"}
