"""The table [light] of room.toml: who receives the lamps of the piece, and where each lamp listens."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Annotated, Literal

import msgspec
from msgspec import Meta

from residue.checking import ip_address

MULTICAST = "multicast"
RED = "red"
DISCOVERY = "239.255.250.214"
"""E1.31, 9.3.1: the group to which sources tell their universes."""

DmxAddress = Annotated[int, Meta(ge=1, le=512)]
Universe = Annotated[int, Meta(ge=1, le=63_999)]
"""E1.31, 6.2.7: the numbers that data may be sent to."""


class LampPlace(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Where a lamp of the piece listens."""

    universe: Universe
    """The universe of its receiver."""
    addresses: Annotated[tuple[DmxAddress, ...], Meta(min_length=1, max_length=512)]
    """The DMX addresses that take its brightness, all the same one."""
    brightest: Annotated[float, Meta(gt=0.0, le=1.0)] = 1.0
    """What is sent at most, where 1 is full."""
    colour: Literal["red", "green", "blue", "white"] | None = None
    """The colour of its light: where red is named, red flashes are counted as colours."""
    fixture: str | None = None
    """A name of your own for the fixture that it is one colour of: the colours of a fixture mix."""


class LightSettings(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Who receives the lamps of the piece."""

    lamp: dict[str, LampPlace]
    """The lamps, by the names of their nodes in piece.toml."""
    to: str = MULTICAST
    """The IP address of the receiver; "multicast" for all that listen to a universe."""
    interface: str | None = None
    """With multicast, the address of this machine in the network of the lamps; else the machine chooses."""
    priority: Annotated[int, Meta(ge=0, le=200)] = 100
    """Whom a receiver follows where several send to one universe: the highest."""
    latency_ms: Annotated[float, Meta(ge=0.0, le=500.0)] = 0.0
    """How late the lamps shine after they were told; they are told so much earlier."""

    def __post_init__(self) -> None:
        for given in (self.interface, None if self.to == MULTICAST else self.to):
            if given is not None and ip_address(given).version != 4:
                raise ValueError(f'"{given}" is not an IPv4 address. Write one such as 192.0.2.40.')
        if not self.lamp:
            raise ValueError("There is no lamp. Write a table such as [light.lamp.glow].")
        taken: dict[tuple[int, int], str] = {}
        for name, place in self.lamp.items():
            for address in place.addresses:
                other = taken.setdefault((place.universe, address), name)
                if other != name:
                    raise ValueError(
                        f"lamp.{other} and lamp.{name} both use address {address} of universe {place.universe}. "
                        "Give each its own."
                    )

    @property
    def universes(self) -> list[int]:
        """The universes that are sent, in order."""
        return sorted({place.universe for place in self.lamp.values()})

    @property
    def reds(self) -> list[list[float]]:
        """(fixtures, lamps): what each lamp adds to R - G - B of each fixture that has a red one."""
        fixtures: dict[str, list[str]] = {}
        for name, place in self.lamp.items():
            fixtures.setdefault(f"lamp {name}" if place.fixture is None else f"fixture {place.fixture}", []).append(
                name
            )
        return [
            [
                (place.brightest if place.colour == RED else -place.brightest) if name in mixed else 0.0
                for name, place in self.lamp.items()
            ]
            for mixed in fixtures.values()
            if any(self.lamp[name].colour == RED for name in mixed)
        ]

    def receivers(self) -> Iterator[tuple[int, str]]:
        """(universe, IP address that it is sent to). Source: E1.31, 9.3.1, for multicast."""
        for universe in self.universes:
            multicast = f"239.255.{universe >> 8}.{universe & 0xFF}"
            yield universe, multicast if self.to == MULTICAST else self.to
