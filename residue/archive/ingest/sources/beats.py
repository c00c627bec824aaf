"""Lists of intervals from beat to beat as sources."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from residue.archive.ingest.source import BeatTrack, IngestSource
from residue.archive.performance import Channel, ChannelKind
from residue.archive.readers.beats import numbers_of, read_beats

_SECONDS_BELOW = 20.0
"""A median interval below this is in seconds, above in milliseconds: no heart is near it."""


def open_beats_source(path: Path) -> IngestSource:
    """A list of intervals; their size decides between seconds and milliseconds. Raises ProblemError."""
    unit = "s" if np.median(numbers_of(path)) < _SECONDS_BELOW else "ms"
    beats = read_beats(path, Channel(kind=ChannelKind.RR, file=path.name, unit=unit))
    return IngestSource(path, beats=(BeatTrack("beats", beats),))
