"""Feeds from the piece to other machines."""

from __future__ import annotations

from typing import Annotated

from msgspec import Meta

from residue.mapping.node import NodeContext, Port, SlowIn, Step
from residue.mapping.nodes.shapes import LikeInput
from residue.mapping.signals import Kind

OscAddress = Annotated[
    str, Meta(pattern=r"^(/[^\s#*,/?\[\]{}]+)+$", description="OSC address it is sent to", examples=["/feed/strain"])
]


class Feed(LikeInput, frozen=True):
    """Sends a slow signal (so many times a second) or each event to other machines, by OSC.

    A signal made from a reading of the body has a second address, ADDRESS/trust: 0 (not measured) to 1, so many times a
    second.
    Latency: none; the time tag is the moment at which the sound is heard.
    """

    kind = "feed"
    family = "feeds"

    input: Annotated[str, Port(frozenset({Kind.SLOW, Kind.EVENTS}))]
    address: OscAddress
    rate_hz: Annotated[float, Meta(gt=0.0, le=1000.0, description="values a second of a slow signal")] = 25.0
    low: Annotated[float | None, Meta(description="value sent as 0; where left out, values go as they are")] = None
    high: Annotated[float | None, Meta(description="value sent as 1")] = None

    def __post_init__(self) -> None:
        if (self.low is None) != (self.high is None) or (self.low is not None and self.low == self.high):
            raise ValueError("low and high belong together and differ. Write both or none.")

    def prepare(self, context: NodeContext) -> Step:
        """Passes its input on; the daemon sends it."""
        return lambda block: block.inputs["input"]


class Lamp(LikeInput, frozen=True):
    """The brightness of a lamp in the room, as a slow signal. The room says where the lamp of this name is.

    Whatever the signal does, no more than three flashes in a second leave the house; a quicker change is held back.
    Latency: none; the lamp shines as the sound is heard.
    """

    kind = "lamp"
    family = "feeds"

    input: SlowIn
    low: Annotated[float, Meta(description="value at which the lamp is dark")] = 0.0
    high: Annotated[float, Meta(description="value at which it is brightest")] = 1.0

    def __post_init__(self) -> None:
        if self.low == self.high:
            raise ValueError(f"low and high are both {self.low:g}. Write two different numbers.")

    def prepare(self, context: NodeContext) -> Step:
        """Passes its input on; the daemon sends it."""
        return lambda block: block.inputs["input"]
