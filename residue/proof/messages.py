"""What the house and the processes that listen say to each other: lines of JSON, and blocks of what was sent."""

from __future__ import annotations

import struct

import msgspec

from residue.mapping.signals import seconds
from residue.proof.microphone import LATENCY_S
from residue.proof.sweep import SLOT_FRAMES, Slot

BEFORE_S = 2.0
"""Of the room alone is heard so long before the sound of a proof is ordered."""
EARLY_S, LATE_S = 0.5, 4.4
"""What is sent arrives from so long before, as devices tell their delays, until so long after: servers tell less.

Together they are shorter than the time from one sweep to the next.
"""
WINDOW_S = 30.0
"""While the house is open, so much of what is sent and heard is brought together at a time."""
HEAD = struct.Struct("<qdi")
"""Before each block: the place of its first frame among all that was sent, when that is heard, and its frames."""


class Listen(msgspec.Struct, frozen=True, kw_only=True):
    """What to listen for in a proof, and where."""

    device: str
    input: int
    slots: list[Slot]

    @property
    def listen_s(self) -> float:
        """The length of the recording in memory."""
        return BEFORE_S + LATENCY_S + LATE_S + seconds(len(self.slots) * SLOT_FRAMES)


class Ready(msgspec.Struct, frozen=True, kw_only=True):
    """Whether it hears from now on."""

    hears: bool


class Ordered(msgspec.Struct, frozen=True, kw_only=True):
    """The sound was ordered at this moment. ordered_s: monotonic, which all processes of a machine share."""

    ordered_s: float


class Watch(msgspec.Struct, frozen=True, kw_only=True):
    """Where to listen while the house is open, and what comes: blocks of so many outputs, as 32-bit numbers."""

    device: str
    input: int
    outputs: int


class HeardSecond(msgspec.Struct, frozen=True, kw_only=True, tag=True):
    """It has heard another second of the room; or why it cannot, in words with what to do."""

    trouble: str | None = None


class RoomChange(msgspec.Struct, frozen=True, kw_only=True, tag=True):
    """What a window tells. change_db: None where it learns, or cannot tell. trouble: why nothing can be told.

    laeq_dbfs, lceq_dbfs: of all that was heard, visitors too, where a full-scale sine of 1 kHz reads -3.01.
    """

    laeq_dbfs: float | None = None
    lceq_dbfs: float | None = None
    change_db: float | None = None
    louder_db: float = 0.0
    trouble: str | None = None


WatchTold = HeardSecond | RoomChange
"""What the process that listens while the house is open says, a line each."""
