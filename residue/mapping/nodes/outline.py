"""The outline of a slow signal, which envelopes of the muscle and rises and falls of events share."""

from __future__ import annotations

from collections.abc import Callable
from typing import Annotated

from msgspec import Meta

from residue.dsp import exact, filters
from residue.dsp.filters import SosFilter
from residue.dsp.sliding import FallingMaximum
from residue.mapping.signals import CONTROL_RATE_HZ, Slow

ReleaseS = Annotated[float, Meta(ge=0.001, le=600.0, description="time constant of the fall")]


def outline(attack_s: float, release_s: float) -> Callable[[Slow], Slow]:
    """A step that falls from each peak by 63 % within release_s, and rounds the rises."""
    fall = FallingMaximum(exact.exp(-1.0 / (release_s * CONTROL_RATE_HZ)))
    rise = SosFilter(filters.smoother(max(attack_s, 1 / CONTROL_RATE_HZ), CONTROL_RATE_HZ))
    return lambda values: rise(fall(values))
