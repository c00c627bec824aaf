"""The keypad of the house: a thread that waits for its keys, and for the keypad itself where it is away."""

from __future__ import annotations

import threading
from collections.abc import Callable
from math import inf

from residue.control.input_devices import KeysError, PressedKeys, open_keys
from residue.control.keypad import KeyBinding, Keypad
from residue.runtime.house.exchange import Event, Hold, Next, Release, Trim

BY = "the keypad"
"""Who asks, for log and status."""
_AGAIN_S = 2.0
"""After so long a lost device is looked for again."""


def event_of(binding: KeyBinding, *, held: bool) -> Event:
    """What a press asks of the house. held: whether it is held at this moment."""
    match binding.does:
        case "release":
            return Release(BY)
        case "hold or release" if held:
            return Release(BY)
        case "hold" | "hold or release":
            return Hold(BY, inf if binding.for_s is None else binding.for_s)
        case "next":
            return Next(BY)
        case "trim":
            return Trim(binding.trim_db or 0.0, BY)


class KeypadKeeper:
    """Nothing without a keypad in room.toml. alarm: a sentence while it cannot be read.

    happened: writes into the event log: kind, text. opening: opens a device by its name.
    """

    def __init__(
        self,
        keypad: Keypad | None,
        happened: Callable[[str, str], None],
        opening: Callable[[str], PressedKeys] = open_keys,
    ) -> None:
        self._keypad, self._happened, self._opening = keypad, happened, opening
        self._ending = threading.Event()
        self.alarm: str | None = None

    def start(self, pressed: Callable[[KeyBinding], None]) -> None:
        """Waits for keys from now on. pressed: called in another thread for each press of a bound key."""
        if self._keypad is not None:
            threading.Thread(target=self._keep, args=(self._keypad, pressed), name="keypad", daemon=True).start()

    def end(self) -> None:
        """Looks for no device any more; a thread that waits for a key ends with the process."""
        self._ending.set()

    def _keep(self, keypad: Keypad, pressed: Callable[[KeyBinding], None]) -> None:
        while not self._ending.is_set():
            try:
                self._read(self._opening(keypad.device), keypad, pressed)
            except (KeysError, OSError) as error:
                why = str(error) if isinstance(error, KeysError) else f"{error.strerror}."
                self._tell(f"The keypad cannot be read. {why}")
            self._ending.wait(_AGAIN_S)

    def _read(self, keys: PressedKeys, keypad: Keypad, pressed: Callable[[KeyBinding], None]) -> None:
        if self.alarm is not None:
            self._happened("keypad", "The keypad is there again.")
        self.alarm = None
        try:
            for names in keys.presses():
                for binding in keypad.key:
                    if binding.key in names and not self._ending.is_set():
                        pressed(binding)
        finally:
            keys.close()

    def _tell(self, alarm: str) -> None:
        if alarm != self.alarm:
            self._happened("keypad", alarm)
        self.alarm = alarm
