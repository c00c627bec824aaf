"""The table [control] of room.toml: the address of the control surface, and its permitted senders."""

from __future__ import annotations

import ipaddress
from collections.abc import Iterable
from typing import Annotated

import msgspec
from msgspec import Meta

from residue.checking import check_networks, ip_address

DEFAULT_PORT = 47_300
UdpPort = Annotated[int, Meta(ge=1024, le=65_535)]


class FeedTarget(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A machine that the feed of signals and events is sent to."""

    host: str
    """Its IP address."""
    port: UdpPort
    """Its UDP port."""

    def __post_init__(self) -> None:
        ip_address(self.host)


Network = ipaddress.IPv4Network | ipaddress.IPv6Network


class Listening(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The address for OSC messages and the permitted senders; by default only this machine itself."""

    listen: str = "127.0.0.1"
    """The address of this machine at which messages are taken; 0.0.0.0 means every network it is in."""
    port: UdpPort = DEFAULT_PORT
    """The UDP port."""
    allow: tuple[str, ...] = ("127.0.0.1/32",)
    """The networks whose messages are taken; all others are dropped."""

    def __post_init__(self) -> None:
        ip_address(self.listen)
        check_networks("allow", self.allow)

    @property
    def networks(self) -> list[Network]:
        """The networks whose senders are accepted."""
        return [ipaddress.ip_network(network) for network in self.allow]


def admits(networks: Iterable[Network], sender: str) -> bool:
    """Whether a sender, by its IP address, is in one of the networks."""
    host = ipaddress.ip_address(sender.partition("%")[0])
    if isinstance(host, ipaddress.IPv6Address) and host.ipv4_mapped is not None:
        host = host.ipv4_mapped  # a sender in an IPv4 network, received at an IPv6 address
    return any(host in network for network in networks)


class ControlSettings(Listening, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Who may ask and command the house, and where the feed goes.

    The key is a weak protection, because it is sent unencrypted; `allow` protects better.
    """

    key: Annotated[str, Meta(min_length=8, max_length=64)] | None = None
    """A word of 8 to 64 characters that each command must bring as its last argument. It travels unencrypted."""
    feed: tuple[FeedTarget, ...] = ()
    """The machines that the feed nodes of the piece are sent to."""
