"""A summary of a bag for a person: facts, a line for each channel, and a sketch of each."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from residue.archive.bag import Bag
from residue.archive.gaps import Bridged
from residue.archive.performance import Channel, ChannelKind, Permission
from residue.archive.readers.beats import read_beats
from residue.archive.readers.catalogue import open_channel
from residue.dsp.resampling import Floats, SampleStream
from residue.problems import ProblemError

_STEPS = "▁▂▃▄▅▆▇█"
_WIDTH = 48
_EXCERPT_SAMPLES = 2048
"""So many samples are read for each column of a sketch; to read all would take as long as to prepare the channel."""


def summarise(bag: Bag) -> str:
    """Facts about the bag and its channels as text, one line each.

    For a channel that cannot be read, the line gives the reason.
    """
    return "\n".join(_lines(bag)) + "\n"


def _lines(bag: Bag) -> Iterator[str]:
    performance = bag.performance
    yield performance.title
    recorded = f"{performance.recorded:%Y-%m-%d %H:%M %z}" if performance.recorded else ""
    facts = ", ".join(filter(None, [performance.performer, recorded, performance.place]))
    if facts:
        yield facts
    files = [file for file in bag.path.rglob("*") if file.is_file()]
    size = f"{sum(file.stat().st_size for file in files) / 1e6:.1f} MB in {len(files)} files"
    sealed = ", ".join(bag.info.get("Bagging-Date", ("at an unknown date",)))
    yield f"sealed {sealed}, {size}, digest {bag.digest[:16]}…"
    yield from performance.notes.splitlines()
    yield ""
    rows = [_row(bag, name, channel) for name, channel in performance.channel.items()]
    heads, *lines = _table([_HEADS, *(cells for cells, _ in rows)])
    yield heads
    for line, (_, sketch) in zip(lines, rows, strict=True):
        yield line
        if sketch:
            yield f"  {sketch}"
    if performance.mark:
        yield ""
    for mark in performance.mark:
        yield f"{mark.at_s:10.1f} s  {mark.text}"
    yield ""
    for name, channel in performance.channel.items():
        if channel.lost:
            yield f"{name}: its recording was {channel.lost}"
        if channel.bridged:
            longest_s = max(stretch.length_s for stretch in channel.bridged)
            yield f"{name}: gaps when it was played {len(channel.bridged)}, the longest {longest_s:.1f} s"
    yield from _permission(performance.permission)
    for file in sorted(file for file in files if file.parent == bag.path / "about"):
        yield f"More about it: {file}"


def _permission(permission: Permission | None) -> Iterator[str]:
    if permission is None:
        yield "No consent is written down."
        return
    yield f"Consent: {permission.consent}"
    if permission.rights:
        yield f"Rights: {permission.rights}"
    if permission.use:
        yield f"Use: {permission.use}"
    if permission.shown_from or permission.shown_until:
        yield f"To be shown from {permission.shown_from or 'any day'} to {permission.shown_until or 'any day'}."


_HEADS = ("channel", "kind", "site", "from", "length", "rate", "unit")


def _table(rows: Sequence[Sequence[str]]) -> Iterator[str]:
    """Rows in columns. A row for a channel that cannot be read has two cells only, and does not widen a column."""
    whole = [row for row in rows if len(row) == len(_HEADS)]
    widths = [max(len(row[column]) for row in whole) for column in range(len(_HEADS))]
    widths[0] = max(len(row[0]) for row in rows)
    for row in rows:
        cells = (f"{cell:<{width}}" for cell, width in zip(row, widths, strict=False))
        yield "  ".join(cells).rstrip()


def _row(bag: Bag, name: str, channel: Channel) -> tuple[Sequence[str], str]:
    """The cells of a channel, and its sketch over time."""
    try:
        if channel.kind is ChannelKind.RR:
            beats = read_beats(bag.file_of(name), channel)
            if not len(beats.times_s):
                return (name, "no beats"), ""
            duration_s, rate = float(beats.times_s[-1]), f"{len(beats.times_s)} beats"
            shape = sparkline(_columns(beats.intervals_s[1:]))
        else:
            stream = open_channel(bag.file_of(name), channel)
            duration_s, rate = float(stream.length / stream.rate_hz), f"{float(stream.rate_hz):g} Hz"
            shape = sparkline(_spreads(stream), lowest=0.0)
    except ProblemError as problem:
        return (name, str(problem.findings[0])), ""
    start = f"{channel.start_s:g} s"
    return (name, channel.kind, channel.site, start, f"{duration_s:.1f} s", rate, channel.unit), shape


def sparkline(values: Floats, lowest: float | None = None) -> str:
    """One block character for each value, from `lowest` (or the lowest value) to the highest; a blank for no value."""
    known = values[np.isfinite(values)]
    low, high = (float(known.min()), float(known.max())) if len(known) else (0.0, 0.0)
    low = low if lowest is None else lowest
    span = high - low or 1.0
    shares = ((value - low) / span if np.isfinite(value) else None for value in values)
    return "".join(" " if share is None else _STEPS[round(share * (len(_STEPS) - 1))] for share in shares)


def _columns(values: Floats) -> Floats:
    """The means of at most _WIDTH stretches; none for no values."""
    if not len(values):
        return values
    return np.array([part.mean() for part in np.array_split(values, min(_WIDTH, len(values)))])


def _spreads(stream: SampleStream) -> Floats:
    """The range of the channel within an excerpt of each stretch."""
    bridged = Bridged(stream)
    excerpt = min(_EXCERPT_SAMPLES, max(stream.length // _WIDTH, 2), stream.length)
    starts = np.linspace(0, stream.length - excerpt, _WIDTH).astype(int)
    return np.array([np.ptp(bridged.read(int(start), int(start) + excerpt)) for start in starts])
