"""[keypad] of room.toml: what the keys of a small keypad or button do."""

from __future__ import annotations

import re
from typing import Annotated, Literal

import msgspec
from msgspec import Meta

_KEY = re.compile(r"(KEY|BTN)_[A-Z0-9_]+")


class KeyBinding(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """One key, and what a press of it does."""

    key: str
    """The key by its name in Linux, such as KEY_KP1; `residue check` lists those of the device."""
    does: Literal["hold", "release", "hold or release", "next", "trim"]
    """What it asks of the house; "hold or release" holds, and at the next press releases."""
    for_s: Annotated[float, Meta(gt=0, le=86_400)] | None = None
    """A hold ends by itself after so long; if left out, a person releases it."""
    trim_db: Annotated[float, Meta(ge=-40, le=0)] | None = None
    """The trim that "trim" sets; 0 is as planned."""

    def __post_init__(self) -> None:
        if not _KEY.fullmatch(self.key):
            raise ValueError(f"'{self.key}' is not the name of a key in Linux. Write one such as KEY_KP1 or BTN_0.")
        if (self.does == "trim") != (self.trim_db is not None):
            raise ValueError('trim_db belongs to does = "trim", and to no other. Write both, or neither.')
        if self.for_s is not None and self.does not in ("hold", "hold or release"):
            raise ValueError('for_s belongs to does = "hold" or "hold or release". Leave it out.')


class Keypad(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A keypad or button of its own, which the house takes for itself."""

    device: str
    """A part of its name that no other input device has, or its node, such as /dev/input/by-id/usb-Pad-event-kbd."""
    key: Annotated[tuple[KeyBinding, ...], Meta(min_length=1)]
    """Its keys; the others do nothing."""

    def __post_init__(self) -> None:
        if not self.device.strip():
            raise ValueError("The device has no name. Write a part of it; `residue check` lists the input devices.")
        names = [one.key for one in self.key]
        for name in names:
            if names.count(name) > 1:
                raise ValueError(f"{name} is named twice. Give each key one line.")
