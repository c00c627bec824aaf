"""One channel, from the file it was recorded in to a file in the cache."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
from numpy.lib import format as npy
from numpy.typing import NDArray

from residue.archive.beside import own_file_beside
from residue.archive.gaps import Bridged
from residue.archive.performance import Channel
from residue.archive.readers.beats import read_beats
from residue.dsp.resampling import Floats, resampled
from residue.mapping.signals import AUDIO_RATE_HZ, RATE_HZ, Kind
from residue.problems import stopping

FORMAT = 2
"""A number that increases when the meaning or the bits of cached data change."""
SAMPLE = np.dtype("<f4")
"""A sample in the cache: 24 bits of precision, as in the best recorders, at half the size of a double."""
EVENT = np.dtype([("frame", "<i8"), ("value", "<f8")])
GAP = np.dtype([("start_s", "<f8"), ("length_s", "<f8")])

_BLOCK_SAMPLES = 1 << 14
"""Samples at the new rate in one block. For muscle sound at the control rate it is 8 s, or 3 MB as recorded, which fits
into a processor's cache.
"""
_LARGEST = float(np.finfo(SAMPLE).max)

Share = Callable[[float], None]
"""A function that is called with the finished share of one conversion, 0 to 1."""


def convert_samples(source: Path, channel: Channel, kind: Kind, target: Path, done: Share) -> None:
    """Resamples a channel to the rate of a kind of signal; a file beside it lists its gaps. Raises ProblemError."""
    from residue.archive.readers.catalogue import open_channel  # with the libraries of formats, for the planner alone

    bridged = Bridged(open_channel(source, channel))
    stream = resampled(bridged, RATE_HZ[kind], short=channel.short_filter)
    with own_file_beside(target) as making, making.open("wb") as file:
        npy.write_array_header_1_0(file, {"descr": SAMPLE.str, "fortran_order": False, "shape": (stream.length,)})
        for start in range(0, stream.length, _BLOCK_SAMPLES):
            block = stream.read(start, min(start + _BLOCK_SAMPLES, stream.length))
            file.write(fitted(block).tobytes())
            done(start / stream.length)
        gaps = [(gap.start / bridged.rate_hz, (gap.stop - gap.start) / bridged.rate_hz) for gap in bridged.gaps]
        if gaps and gaps[0][1] * bridged.rate_hz == bridged.length:
            raise stopping(source.name, "It holds nothing but gaps.", "Leave the channel out, or find the right file.")
        _write(gaps_path(target), np.array([(float(start), float(length)) for start, length in gaps], GAP))


def fitted(samples: Floats) -> NDArray[np.float32]:
    """Samples in the form of the cache."""
    return np.clip(samples, -_LARGEST, _LARGEST).astype(SAMPLE)


def convert_beats(source: Path, channel: Channel, kind: Kind, target: Path, done: Share) -> None:
    """Turns beats into events, each with the interval in seconds that ended there. Raises ProblemError."""
    beats = read_beats(source, channel)
    events = np.empty(len(beats.times_s), EVENT)
    events["frame"] = np.rint(beats.times_s * AUDIO_RATE_HZ)
    events["value"] = beats.intervals_s
    _write(target, events)


CONVERTERS: dict[Kind, Callable[[Path, Channel, Kind, Path, Share], None]] = {
    Kind.SLOW: convert_samples,
    Kind.FAST: convert_samples,
    Kind.EVENTS: convert_beats,
}


def gaps_path(target: Path) -> Path:
    """The file that lists the gaps of a converted channel, by the channel's own path in the cache."""
    return target.with_suffix(".gaps")


def _write(path: Path, values: NDArray[Any]) -> None:
    with own_file_beside(path) as making, making.open("wb") as file:
        npy.write_array(file, values, allow_pickle=False)
