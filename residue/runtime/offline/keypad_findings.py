"""Compares [keypad] of room.toml with the input devices of this machine."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator

from residue.control.input_devices import KeysError, keys_of
from residue.installation.load import ROOM
from residue.installation.room import Room
from residue.problems import Finding, Severity, nearest

_MOST_KEYS = 20


def keypad_findings(room: Room, keys: Callable[[str], Collection[str]] = keys_of) -> Iterator[Finding]:
    """Finds a device that is away, and keys that the device does not have."""
    keypad = room.keypad
    if keypad is None:
        return
    where = f"{ROOM}: keypad.device"
    try:
        there = keys(keypad.device)
    except KeysError as error:
        yield Finding(Severity.WARNS, where, str(error), "")
    except OSError as error:
        yield Finding(Severity.WARNS, where, f"It cannot be read: {error.strerror}.", "Run this as root, with sudo.")
    else:
        for number, binding in enumerate(keypad.key, start=1):
            if binding.key not in there:
                what = f"The device has no {binding.key}."
                yield Finding(Severity.WARNS, f"{ROOM}: keypad.key[{number}].key", what, nearest(binding.key, there))
        shown = sorted(there)[:_MOST_KEYS]
        more = f" and {len(there) - len(shown)} more" if len(there) > len(shown) else ""
        yield Finding(Severity.NOTES, where, f"Its keys: {', '.join(shown)}{more}.", "")
