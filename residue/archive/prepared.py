"""A performance ready to be played: its channels converted once, then read from files of the cache."""

from __future__ import annotations

import logging
from collections.abc import Iterator, Mapping, Set
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from residue.archive.bag import Bag, open_bag
from residue.archive.conversion import CONVERTERS, EVENT, FORMAT, GAP, SAMPLE, gaps_path
from residue.archive.lengths import Extent, length_findings
from residue.archive.on_disk import OnDisk, on_disk
from residue.archive.performance import ChannelKind, Performance
from residue.archive.recorded import EventsRecording, FastRecording, SlowRecording
from residue.mapping.node import Reader
from residue.mapping.signals import (
    CONTROL_RATE_HZ,
    FRAMES_PER_TICK,
    Events,
    Kind,
    frame_at,
    seconds,
)
from residue.problems import Finding, ProblemError, Severity, stopping
from residue.progress import Progress, silent

log = logging.getLogger(__name__)

Needs = Mapping[str, Set[Kind]]
"""The channels that a piece reads, each with the kind of signal."""

_DTYPES = {Kind.SLOW: SAMPLE, Kind.FAST: SAMPLE, Kind.EVENTS: EVENT}
_CHANNEL_SHARES = 1000


@dataclass(frozen=True)
class PreparedPerformance:
    """A performance ready to be played: a mapping.node.Source."""

    performance: Performance
    digest: str
    """The digest of the bag it came from."""
    frames: int
    """Its length in frames of the audio rate: as stated in the performance, or up to the end of the longest channel."""
    notes: tuple[Finding, ...]
    """Findings for a person: shorter channels, bridged gaps."""
    readers: Mapping[tuple[str, Kind], Reader]

    def channel(self, name: str, kind: Kind) -> Reader:
        """A channel that was prepared as this kind; zeros, or no events, before it starts and after it ends."""
        return self.readers[name, kind]


def prepare(bag_path: Path, needs: Needs, cache: Path, progress: Progress = silent) -> PreparedPerformance:
    """Converts channels that are not in the cache yet, and opens them. Does not verify the bag. Raises ProblemError.

    Values are physical. Gaps are bridged by straight lines. A list of beat intervals becomes events: at each beat the
    interval in seconds that ended there.
    """
    bag = open_bag(bag_path)
    check_needs(bag, needs)
    folder = prepared_folder(cache, bag.digest)
    wanted = [(name, kind) for name in sorted(needs) for kind in sorted(needs[name])]
    missing = [one for one in wanted if on_disk(_place(folder, *one), _DTYPES[one[1]]) is None]
    for number, (name, kind) in enumerate(missing):

        def share(done: float, name: str = name, number: int = number) -> None:
            progress(name, round((number + done) * _CHANNEL_SHARES), len(missing) * _CHANNEL_SHARES)

        share(0.0)
        CONVERTERS[kind](bag.file_of(name), bag.performance.channel[name], kind, _place(folder, name, kind), share)
        log.info("prepared channel %s of %s as %s", name, bag.path.name, kind)
    recordings = {one: _open(bag, folder, *one) for one in wanted}
    told_s = bag.performance.duration_s
    longest = max((recording.end_frame for recording in recordings.values()), default=0)
    frames = longest if told_s is None else frame_at(told_s)
    extents = _extents(bag.performance, recordings)
    notes = (
        *_gap_notes(bag, folder, wanted),
        *length_findings(bag.path.name, bag.performance, extents, seconds(frames)),
    )
    for note in notes:
        log.info("%s", note)
    readers = {one: _going_out(recording, frames) for one, recording in recordings.items()}
    return PreparedPerformance(bag.performance, bag.digest, frames, notes, readers)


def prepared_folder(cache: Path, digest: str) -> Path:
    """The folder of a bag's converted channels."""
    return cache / f"{digest}-{FORMAT}"


def _place(folder: Path, name: str, kind: Kind) -> Path:
    return folder / f"{name}.{kind}.npy"


def check_needs(bag: Bag, needs: Needs) -> None:
    """Raises ProblemError, with everything at once, for channels that are missing or cannot be of the wanted kind."""
    findings: list[Finding] = []
    for name in sorted(needs):
        try:
            channel = bag.performance.the_channel(name, bag.path.name)
            bag.file_of(name)
        except ProblemError as problem:
            findings += problem.findings
            continue
        fits = {Kind.EVENTS} if channel.kind is ChannelKind.RR else {Kind.SLOW, Kind.FAST}
        for kind in sorted(needs[name] - fits):
            what = f"Channel {name} is {channel.kind}, which cannot be read as {kind}."
            mend = f"In piece.toml read it as {' or '.join(sorted(fits))}, or name another channel."
            findings.append(Finding(Severity.STOPS, bag.path.name, what, mend))
    if findings:
        raise ProblemError(findings)


@dataclass(frozen=True, slots=True)
class _Recording:
    reader: Reader
    end_frame: int


def _going_out(recording: _Recording, frames: int) -> Reader:
    """The reader, with the fact whether its channel ends before the performance."""
    reader = recording.reader
    if isinstance(reader, SlowRecording | FastRecording) and recording.end_frame < frames:
        return replace(reader, ends_early=True)
    return reader


def _open(bag: Bag, folder: Path, name: str, kind: Kind) -> _Recording:
    """A converted channel, at its place in the time of the performance."""
    values = on_disk(_place(folder, name, kind), _DTYPES[kind])
    if values is None:
        raise stopping(str(folder), f"Channel {name} is no longer in the cache.", "Prepare the performance again.")
    return _OPENERS[kind](values, bag.performance.channel[name].start_s)


def _open_slow(values: OnDisk, start_s: float) -> _Recording:
    first = round(start_s * CONTROL_RATE_HZ)
    return _Recording(SlowRecording(values, first), (first + len(values)) * FRAMES_PER_TICK)


def _open_fast(values: OnDisk, start_s: float) -> _Recording:
    first = frame_at(start_s)
    return _Recording(FastRecording(values, first), first + len(values))


def _open_events(values: OnDisk, start_s: float) -> _Recording:
    held = values[:]
    events = Events(held["frame"] + frame_at(start_s), np.array(held["value"]))
    return _Recording(EventsRecording(events), int(events.frames[-1]) + 1 if len(events.frames) else 0)


_OPENERS = {Kind.SLOW: _open_slow, Kind.FAST: _open_fast, Kind.EVENTS: _open_events}


def _gap_notes(bag: Bag, folder: Path, wanted: list[tuple[str, Kind]]) -> Iterator[Finding]:
    for name in sorted({name for name, _ in wanted if bag.performance.channel[name].bridged}):
        bridged = bag.performance.channel[name].bridged
        longest_s = max(stretch.length_s for stretch in bridged)
        what = (
            f"Channel {name} was not received {len(bridged)} times, the longest {longest_s:.1f} s, when it was played."
        )
        yield Finding(Severity.NOTES, bag.path.name, what, "")
    for name in sorted({name for name, kind in wanted if kind is not Kind.EVENTS}):
        kind = next(kind for one, kind in wanted if one == name)
        found = on_disk(gaps_path(_place(folder, name, kind)), GAP)
        if found is not None and len(found):
            gaps = found[:]
            longest = float(gaps["length_s"].max())
            what = f"Channel {name} has {len(gaps)} gaps, the longest {longest:.1f} s; straight lines bridge them."
            yield Finding(Severity.NOTES, bag.path.name, what, "")


def _extents(performance: Performance, recordings: Mapping[tuple[str, Kind], _Recording]) -> Mapping[str, Extent]:
    return {
        name: Extent(performance.channel[name].start_s, seconds(recording.end_frame))
        for (name, kind), recording in recordings.items()
        if kind is not Kind.EVENTS
    }
