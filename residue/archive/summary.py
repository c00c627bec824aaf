"""What is in a bag, for a person: facts, a line a channel, and a sketch of each."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from residue.archive.bag import Bag
from residue.archive.gaps import Bridged
from residue.archive.performance import Channel, ChannelKind
from residue.archive.readers.beats import read_beats
from residue.archive.readers.catalogue import open_channel
from residue.dsp.resampling import Samples, Stream
from residue.problems import ProblemError

_STEPS = "▁▂▃▄▅▆▇█"
_WIDTH = 48
_EXCERPT_SAMPLES = 2048
"""So much is looked at for each column of a sketch; reading all would take as long as preparing it."""


def summarise(bag: Bag) -> str:
    """Facts about the bag and its channels as text, one line each. A channel that cannot be read says why."""
    return "\n".join(_lines(bag)) + "\n"


def _lines(bag: Bag) -> Iterator[str]:
    performance = bag.performance
    yield performance.title
    recorded = f"{performance.recorded:%Y-%m-%d %H:%M %z}" if performance.recorded else ""
    facts = ", ".join(filter(None, [performance.performer, recorded, performance.place]))
    if facts:
        yield facts
    yield f"sealed {', '.join(bag.info.get('Bagging-Date', ('at an unknown date',)))}, digest {bag.digest[:16]}…"
    width = max(map(len, performance.channel))
    for name, channel in performance.channel.items():
        yield f"  {name:<{width}}  {_one_channel(bag, name, channel)}"
    for mark in performance.mark:
        yield f"  {mark.at_s:10.1f} s  {mark.text}"
    permission = performance.permission
    if permission:
        until = f", to be shown until {permission.shown_until}" if permission.shown_until else ""
        yield f"consent: {permission.consent}{until}"


def _one_channel(bag: Bag, name: str, channel: Channel) -> str:
    site = f", {channel.site}" if channel.site else ""
    try:
        if channel.kind is ChannelKind.RR:
            beats = read_beats(bag.file_of(name), channel)
            duration_s, rate = float(beats.times_s[-1]), f"{len(beats.times_s)} beats"
            shape = sparkline(_columns(beats.intervals_s[1:]))
        else:
            stream = open_channel(bag.file_of(name), channel)
            duration_s, rate = float(stream.length / stream.rate_hz), f"{float(stream.rate_hz):g} Hz"
            shape = sparkline(_spreads(stream))
    except ProblemError as problem:
        return str(problem.findings[0])
    return f"{shape}  {channel.kind}{site}, {duration_s:.1f} s, {rate}, {channel.unit}"


def sparkline(values: Samples) -> str:
    """One block a value, from the lowest to the highest; a blank where there is none."""
    known = values[np.isfinite(values)]
    low, high = (float(known.min()), float(known.max())) if len(known) else (0.0, 0.0)
    span = high - low or 1.0
    shares = ((value - low) / span if np.isfinite(value) else None for value in values)
    return "".join(" " if share is None else _STEPS[round(share * (len(_STEPS) - 1))] for share in shares)


def _columns(values: Samples) -> Samples:
    """Means of at most _WIDTH stretches."""
    return np.array([part.mean() for part in np.array_split(values, min(_WIDTH, len(values)))])


def _spreads(stream: Stream) -> Samples:
    """How far the channel moves within an excerpt of each stretch."""
    bridged = Bridged(stream)
    excerpt = min(_EXCERPT_SAMPLES, max(stream.length // _WIDTH, 2), stream.length)
    starts = np.linspace(0, stream.length - excerpt, _WIDTH).astype(int)
    return np.array([np.ptp(bridged.read(int(start), int(start) + excerpt)) for start in starts])
