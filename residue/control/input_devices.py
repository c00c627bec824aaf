"""Input devices of Linux: finds one by its name, and reads the keys that are pressed on it.

Source: Documentation/input/event-codes.rst of the kernel. The library is python-evdev.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import suppress
from pathlib import Path
from typing import Any, Protocol

_NODES, _NAMES = Path("/dev/input"), Path("/sys/class/input")
_PRESSED = 1
"""Value of a key event: 0 is released, 2 repeated."""


class KeysError(Exception):
    """The device cannot be read; the text says why, for people, and what to do."""


class PressedKeys(Protocol):
    """A device that is open."""

    def presses(self) -> Iterator[frozenset[str]]:
        """The names of each key as it is pressed; some keys have several. Raises OSError once the device is lost."""

    def close(self) -> None:
        """Gives the device back."""


def input_devices(names: Path = _NAMES) -> Mapping[str, str]:
    """The name of each input device by its node, such as event3."""
    found: dict[str, str] = {}
    for path in sorted(names.glob("event*")):
        with suppress(OSError):
            found[path.name] = (path / "device" / "name").read_text(encoding="utf-8", errors="replace").strip()
    return found


def node_of(device: str, names: Path = _NAMES) -> Path:
    """The node of a device. Raises KeysError where there is none, or several."""
    if device.startswith("/"):
        if not Path(device).exists():
            raise KeysError(f"There is no {device}. Plug it in.")
        return Path(device)
    there = input_devices(names)
    nodes = [node for node, name in there.items() if device.casefold() in name.casefold()]
    listed = ", ".join(f'"{name}"' for name in dict.fromkeys(there.values())) or "none"
    if not nodes:
        raise KeysError(f'There is no input device with "{device}" in its name. Plug it in; there are: {listed}.')
    if len(nodes) > 1:
        what = f'{len(nodes)} input devices have "{device}" in their names.'
        raise KeysError(f"{what} Name one by its node in /dev/input/by-id.")
    return _NODES / nodes[0]


class _EvdevKeys:
    """A device, taken for the house alone: no key reaches a login on the console."""

    def __init__(self, device: Any, names: Mapping[int, Any]) -> None:
        self._device, self._names = device, names

    def presses(self) -> Iterator[frozenset[str]]:
        from evdev import ecodes

        for event in self._device.read_loop():
            if event.type == ecodes.EV_KEY and event.value == _PRESSED:
                yield names_of(self._names.get(event.code, ()))

    def close(self) -> None:
        with suppress(OSError):
            self._device.close()


def names_of(found: Any) -> frozenset[str]:
    """The names of a key, of which the library gives one or several."""
    return frozenset([found] if isinstance(found, str) else found)


def open_keys(device: str) -> PressedKeys:
    """Opens a device for the house alone. Raises KeysError, OSError."""
    opened, names = _opened(device)
    opened.grab()
    return _EvdevKeys(opened, names)


def keys_of(device: str) -> frozenset[str]:
    """The names of all keys that a device has. Raises KeysError, OSError."""
    from evdev import ecodes

    opened, names = _opened(device)
    codes = opened.capabilities().get(ecodes.EV_KEY, ())
    opened.close()
    return frozenset(name for code in codes for name in names_of(names.get(code, ())))


def _opened(device: str) -> tuple[Any, Mapping[int, Any]]:
    import evdev  # here, as few rooms have a keypad, and each start would take longer
    from evdev import ecodes

    return evdev.InputDevice(str(node_of(device))), {**ecodes.BTN, **ecodes.KEY}
