"""Streams made on the spot."""

from __future__ import annotations

from fractions import Fraction

from residue.archive.ingest.columns import EvenStream, HeldColumn
from residue.dsp.resampling import Floats


def held_stream(values: Floats, rate_hz: float | Fraction) -> EvenStream:
    """A stream whose samples are in memory."""
    return EvenStream(HeldColumn(values), Fraction(rate_hz))
