"""Universes as packets of ANSI E1.31, and the codes of capped lamps in them.

Source: ANSI E1.31-2018. The library is sacn, an optional one, of which only the packets are used: the cap has to know
when something is sent.
"""

from __future__ import annotations

import importlib
import uuid
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from residue.light.flash_cap import CappedLight
from residue.light.settings import LightSettings

MODULE = "sacn"
PORT = 5568
"""E1.31, 9.3.1."""
SLOTS = 512
SOURCE_NAME = "residue"


def universes_of(settings: LightSettings, capped: CappedLight) -> Mapping[int, bytes]:
    """By universe, the codes of all its addresses; those without a lamp are 0."""
    slots = {universe: bytearray(SLOTS) for universe in settings.universes}
    for place, code in zip(settings.lamp.values(), capped.codes, strict=True):
        for address in place.addresses:
            slots[place.universe][address - 1] = int(np.rint(code * place.brightest))
    return {universe: bytes(held) for universe, held in slots.items()}


class LightSource:
    """A source of universes with a name and an identity of its own.

    Raises ModuleNotFoundError where the library is missing.
    """

    def __init__(self, identity: uuid.UUID, priority: int) -> None:
        library: Any = importlib.import_module(MODULE)
        self._packet, self._discovery = library.DataPacket, library.UniverseDiscoveryPacket
        self._identity = tuple(identity.bytes)
        self._priority = priority
        self._sequence: dict[int, int] = {}

    def packet(self, universe: int, slots: bytes, *, terminated: bool = False) -> bytes:
        """The next packet of a universe. terminated: nothing comes after it (E1.31, 6.2.6)."""
        sequence = self._sequence.get(universe, -1) + 1 & 0xFF
        self._sequence[universe] = sequence
        packet = self._packet(
            cid=self._identity,
            sourceName=SOURCE_NAME,
            universe=universe,
            dmxData=tuple(slots),
            priority=self._priority,
            sequence=sequence,
            streamTerminated=terminated,
        )
        return bytes(packet.getBytes())

    def announcement(self, universes: Sequence[int]) -> bytes:
        """The packet that tells which universes are sent (E1.31, 8)."""
        packet = self._discovery(cid=self._identity, sourceName=SOURCE_NAME, universes=tuple(universes))
        return bytes(packet.getBytes())
