"""The caps in force, as the log keeps them: what was sent is held against these, and not against later ones."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import msgspec

from residue.loudness.caps.caps import Cap, protecting_caps
from residue.loudness.caps.ears import ear_of
from residue.loudness.caps.quantities import QUANTITIES
from residue.loudness.outputs.outputs import Output


@dataclass(frozen=True, slots=True, kw_only=True)
class CapsRow:
    """The caps from a moment on, until the next row."""

    utc: str
    said: str
    """CapsSaid, as JSON."""


class CapSaid(msgspec.Struct, frozen=True, kw_only=True):
    """A cap, with the name of its quantity. ear: the key of its ear in the levels of each row."""

    name: str
    quantity: str
    window_s: float
    limit: float
    physical: bool
    at: str
    margin_db: float
    ear: str

    @property
    def cap(self) -> Cap:
        """The cap. Raises KeyError where this version does not know its quantity."""
        quantity = QUANTITIES[self.quantity]
        return Cap(self.name, quantity, self.window_s, self.limit, self.physical, self.at, margin_db=self.margin_db)


class CapsSaid(msgspec.Struct, frozen=True):
    """All caps of a room, those that protect its loudspeakers too."""

    caps: tuple[CapSaid, ...]


def caps_said(caps: Iterable[Cap], outputs: Mapping[str, Output]) -> CapsSaid:
    """What the log says of the caps of a room. outputs: those that the piece uses."""
    return CapsSaid(tuple(_said(cap, outputs) for cap in all_caps(caps, outputs)))


def all_caps(caps: Iterable[Cap], outputs: Mapping[str, Output]) -> Sequence[Cap]:
    """The caps of a room, and those that protect its loudspeakers."""
    return (*caps, *protecting_caps(outputs))


def _said(cap: Cap, outputs: Mapping[str, Output]) -> CapSaid:
    return CapSaid(
        name=cap.name,
        quantity=cap.quantity.name,
        window_s=cap.window_s,
        limit=cap.limit,
        physical=cap.physical,
        at=cap.at,
        margin_db=cap.margin_db,
        ear=ear_of(cap, outputs).key,
    )
