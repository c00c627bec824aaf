"""[in_step] in room.toml: whether this room plays one performance together with others."""

from __future__ import annotations

from typing import Annotated

import msgspec
from msgspec import Meta


class InStep(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A room that plays the same frame at the same instant as every other room with the same hours and piece."""

    clock_within_ms: Annotated[float, Meta(gt=0.0, le=100.0)] = 1.0
    """The largest error that the clock service may estimate; beyond it the status says that the room is not in step."""
    behind_ms: Annotated[float, Meta(ge=0.0, le=500.0)] = 0.0
    """The time that the equipment behind the sound device takes, which then plays so much earlier."""
