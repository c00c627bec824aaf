"""The table [page] of room.toml."""

from __future__ import annotations

from typing import Annotated

import msgspec
from msgspec import Meta

from residue.checking import ip_address

TcpPort = Annotated[int, Meta(ge=1024, le=65_535)]


class PageSettings(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A web page of the house for a phone, for the networks of control.allow; control.key allows wishes too."""

    listen: str = "127.0.0.1"
    """The address of this machine for the page; 0.0.0.0 means every network it is in."""
    port: TcpPort = 8080
    """Its TCP port."""
    names: tuple[str, ...] = ()
    """Names of this machine with which people open the page, such as "oven.local"; its IP address always works."""
    metrics: bool = False
    """Whether /metrics gives figures for monitoring, in the format of OpenMetrics or Prometheus."""

    def __post_init__(self) -> None:
        ip_address(self.listen)
