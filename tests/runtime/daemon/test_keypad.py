"""Keys behind a small protocol; a keypad of the kernel's own is in tests/machine/test_unit_reach.py."""

from __future__ import annotations

from collections.abc import Iterator
from math import inf
from queue import Queue

import pytest

from residue.control.input_devices import KeysError
from residue.control.keypad import KeyBinding, Keypad
from residue.runtime.daemon import keypad as keypad_module
from residue.runtime.daemon.keypad import BY, KeypadKeeper, event_of
from residue.runtime.house.exchange import Event, Hold, Next, Release, Trim

BOUND = (
    KeyBinding(key="KEY_KP1", does="hold or release", for_s=1_200.0),
    KeyBinding(key="KEY_MUTE", does="trim", trim_db=-6.0),
)


class Pad:
    """A device that presses what a test puts into it; an error is raised where the device would raise it."""

    def __init__(self) -> None:
        self.queue: Queue[str | OSError] = Queue()
        self.closed = 0

    def presses(self) -> Iterator[frozenset[str]]:
        while True:
            match self.queue.get():
                case OSError() as error:
                    raise error
                case str() as name:
                    yield frozenset(name.split())

    def close(self) -> None:
        self.closed += 1


class Desk:
    """A keeper, the pads that it opens one after the other, and what it is heard to say."""

    def __init__(self, *found: Pad | Exception, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setattr(keypad_module, "_AGAIN_S", 0.01)
        self._found, self.pressed, self.log = list(found), Queue[KeyBinding](), Queue[str]()
        self.keeper = KeypadKeeper(Keypad(device="pad", key=BOUND), self._happened, self._open)
        self.keeper.start(self.pressed.put)

    def _happened(self, kind: str, text: str) -> None:
        self.log.put(f"{kind}: {text}")

    def _open(self, device: str) -> Pad:
        assert device == "pad"
        found = self._found.pop(0) if len(self._found) > 1 else self._found[0]
        if isinstance(found, Exception):
            raise found
        return found


def test_a_bound_key_is_passed_on_by_any_of_its_names_and_others_are_not(monkeypatch: pytest.MonkeyPatch) -> None:
    pad = Pad()
    desk = Desk(pad, monkeypatch=monkeypatch)
    for name in ("KEY_A", "KEY_KP1", "KEY_MIN_INTERESTING KEY_MUTE"):
        pad.queue.put(name)
    assert [desk.pressed.get(timeout=60), desk.pressed.get(timeout=60)] == list(BOUND)
    assert desk.pressed.empty()
    desk.keeper.end()


def test_a_keypad_that_goes_and_comes_back_is_told_once_and_read_again(monkeypatch: pytest.MonkeyPatch) -> None:
    first, second = Pad(), Pad()
    away = KeysError('There is no input device with "pad" in its name. Plug it in; there are: none.')
    desk = Desk(first, away, away, away, second, monkeypatch=monkeypatch)
    first.queue.put(OSError(19, "No such device"))
    second.queue.put("KEY_KP1")
    assert desk.pressed.get(timeout=60) == BOUND[0]
    told = [desk.log.get(timeout=60) for _ in range(3)]
    assert told == [
        "keypad: The keypad cannot be read. No such device.",
        f"keypad: The keypad cannot be read. {away}",
        "keypad: The keypad is there again.",
    ]
    assert first.closed == 1
    assert desk.keeper.alarm is None
    desk.keeper.end()


def test_without_a_keypad_nothing_is_opened() -> None:
    def refuse(_device: str) -> Pad:
        raise AssertionError

    keeper = KeypadKeeper(None, lambda *_: None, refuse)
    keeper.start(lambda _binding: None)
    assert keeper.alarm is None


@pytest.mark.parametrize(
    ("binding", "held", "asked"),
    [
        (BOUND[0], False, Hold(BY, 1_200.0)),
        (BOUND[0], True, Release(BY)),
        (KeyBinding(key="BTN_0", does="hold"), True, Hold(BY, inf)),
        (KeyBinding(key="BTN_0", does="release"), False, Release(BY)),
        (KeyBinding(key="BTN_0", does="next"), False, Next(BY)),
        (BOUND[1], False, Trim(-6.0, BY)),
    ],
)
def test_each_key_asks_what_it_is_bound_to(binding: KeyBinding, held: bool, asked: Event) -> None:  # noqa: FBT001
    assert event_of(binding, held=held) == asked
