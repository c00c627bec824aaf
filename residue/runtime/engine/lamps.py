"""The lamps of a house, by the name of its machine."""

from __future__ import annotations

from collections.abc import Callable
from uuid import UUID, uuid5

from residue.installation.load import Installation
from residue.light.sender import LightSender
from residue.runtime.system.machine_identity import machine_identity

_SOURCES = UUID("6d1f7c1e-6a0b-4c39-9a56-0d5c2f1b7e84")
"""The namespace of our own in which the name of a machine becomes an identity (RFC 4122, 4.3)."""


def lamps_of(installation: Installation, happened: Callable[[str, str], None]) -> LightSender:
    """The sender of an installation's lamps; it sends nothing where the room has none."""
    identity = uuid5(_SOURCES, str(machine_identity()))
    return LightSender(installation.room.light, installation.graph.lamps, happened, identity)
