"""Ingest from beginning to end: find, align, keep, examine, report, seal."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from datetime import date
from itertools import zip_longest
from pathlib import Path
from typing import TypeVar

import msgspec

from residue.archive.bag import Bag, seal_moving
from residue.archive.beside import file_beside, telling
from residue.archive.ingest.alignment import SourceStart, starts
from residue.archive.ingest.describe import Description, check_against, label_of, template
from residue.archive.ingest.facts import TableFacts
from residue.archive.ingest.keeping import StoredSource, file_names, unkept_notes
from residue.archive.ingest.picture import draw
from residue.archive.ingest.quality import Quality, examine_beats, examine_samples
from residue.archive.ingest.rates import check_rates
from residue.archive.ingest.report import write_report
from residue.archive.ingest.resuming import SourceStore
from residue.archive.ingest.source import IngestSource, Track
from residue.archive.ingest.sources.catalogue import find_files, open_source, survey_source
from residue.archive.performance import FILE_NAME, Channel, Mark, Performance, write_performance
from residue.archive.readers.catalogue import retimed
from residue.problems import Finding, ProblemError, stopping
from residue.progress import Progress, silent

WORK = ".ingest-"
"""The name of the folder of work begins with this; a second run continues from that folder."""
_SHARES = 1000
_Opened = TypeVar("_Opened")


@dataclass(frozen=True)
class Ingested:
    """The result of an ingest."""

    bag: Bag
    report: str
    private: tuple[str, ...]
    """The private contents removed from the headers, for the person who runs ingest; the bag names only the fields."""


def name_files(given: list[Path]) -> dict[str, Path]:
    """The files that can be sources among files and folders, by file name. Raises ProblemError."""
    named: dict[str, Path] = {}
    for path in find_files(given):
        if path.name in named:
            what = f"{path} and {named[path.name]} have the same name."
            raise stopping(path.name, what, "Rename one of them.")
        named[path.name] = path
    return named


def open_sources(
    files: Iterable[Path], tables: Mapping[str, TableFacts], scratch: Path, *, damaged: Collection[str] = ()
) -> dict[str, IngestSource]:
    """The sources by file name. Raises ProblemError, with everything at once.

    scratch: a folder for temporary data that is too large for memory. damaged: files of which to take what survives.
    """
    return _each(files, lambda path: open_source(path, tables.get(path.name), scratch, salvage=path.name in damaged))


def _each(files: Iterable[Path], opening: Callable[[Path], _Opened]) -> dict[str, _Opened]:
    """What opening gives for each file, by file name. Raises ProblemError, with everything at once."""
    opened: dict[str, _Opened] = {}
    findings: list[Finding] = []
    for path in files:
        try:
            opened[path.name] = opening(path)
        except ProblemError as problem:
            findings += problem.findings
    if findings:
        raise ProblemError(findings)
    return opened


def write_template(given: list[Path], path: Path) -> None:
    """Writes a describe file for a person to complete; it never overwrites one. Raises ProblemError."""
    files = name_files(given)
    surveyed = _each(files.values(), lambda one: survey_source(one, path.parent))
    if path.exists():
        raise stopping(str(path), "A describe file is there already.", "Complete it, and ingest with --describe.")
    with file_beside(path) as making:
        sources = {name: source for name, (source, _) in surveyed.items()}
        tables = {name: suggested for name, (_, suggested) in surveyed.items() if suggested is not None}
        making.write_text(template(sources, tables), encoding="utf-8")


def ingest(given: list[Path], into: Path, description: Description, on: date, progress: Progress = silent) -> Ingested:
    """Turns sources into one sealed performance at `into`. The sources are only read. Raises ProblemError.

    Finished work is kept beside `into` until the end, so that a second run after an interruption does not repeat it.
    """
    if into.exists():
        raise stopping(str(into), "Something exists there already.", "Choose another name, or move it away.")
    files = name_files(given)
    asked_for = [path for name, path in files.items() if name in description.files]
    sources = open_sources(asked_for, description.table, into.parent, damaged=description.damaged)
    check_against(description, sources, files)
    check_rates(description, sources)
    used = {name: source for name, source in sources.items() if _channels_of(description, name)}
    _check_names(used, description)
    begun = starts(used | {align.to: sources[align.to] for align in description.align}, description)
    work = into.with_name(f"{WORK}{into.name}")
    with telling(into):
        with SourceStore(work) as keeper:
            kept: dict[str, StoredSource] = {}
            for number, (name, source) in enumerate(used.items()):
                progress(f"keeping {name}", number, len(used))
                asked = _channels_of(description, name)
                private = description.keep_private
                kept[name] = keeper.keep(source, asked, keep_private=private, notes=description.consented)
            performance = _performance(description, used, begun, kept)
            (keeper.payload / FILE_NAME).write_text(write_performance(performance), encoding="utf-8")
            qualities = _examine_all(used, description, progress)
            done = [sentence for one in kept.values() for sentence in one.done]
            done += [f"{name}: {words}." for name, source in used.items() for words in source.told]
            done += [f"{name}: {words}." for name, source in used.items() if (words := _lost(source))]
            unasked = sorted(files.keys() - kept)
            done += [f"{name}: left out, because the describe file names none of its channels." for name in unasked]
            done += _notes_words(used, description)
            done += _begun_words(begun)
            report = write_report(performance, qualities, done)
            about = {"report.txt": report.encode(), "channels.png": draw(performance, qualities)}
        bag = seal_moving(keeper.payload, into, bag_info(performance, done), on, about, progress)
        shutil.rmtree(work)
    stripped = () if description.keep_private else _private(used, description)
    return Ingested(bag, report, stripped)


def _check_names(sources: Mapping[str, IngestSource], description: Description) -> None:
    """Raises ProblemError where two sources would get the same name: the second would replace the first."""
    taken: dict[str, str] = {}
    for name, source in sources.items():
        for file in set(file_names(source, _channels_of(description, name)).values()):
            other = taken.setdefault(file, name)
            if other != name:
                what = f"{other} and {name} would both be kept as {file}."
                raise stopping("channel", what, "Give the channel, or one of the files, another name.")


def _channels_of(description: Description, file: str) -> dict[str, Channel]:
    return {name: channel for name, channel in description.channel.items() if channel.file == file}


def _private(sources: Mapping[str, IngestSource], description: Description) -> tuple[str, ...]:
    return tuple(
        f"{name}: {words}"
        for name, source in sources.items()
        for words in (*source.private, *(f"note ({text})" for text in unkept_notes(source, description.consented)))
    )


def _notes_words(sources: Mapping[str, IngestSource], description: Description) -> Iterator[str]:
    """A sentence with the number of removed notes for each source; the bag does not say which notes."""
    for name, source in sources.items():
        unkept = sum(not _stays(mark, description) for mark in source.marks)
        if unkept:
            yield f"{name}: {unkept} of its {len(source.marks)} notes were left out; keep_notes does not list them."


def _stays(mark: Mark, description: Description) -> bool:
    return description.keep_private or mark.text in description.consented


def _performance(
    description: Description,
    sources: Mapping[str, IngestSource],
    begun: Mapping[str, SourceStart],
    kept: Mapping[str, StoredSource],
) -> Performance:
    channels: dict[str, Channel] = {}
    for name, asked in description.channel.items():
        channel = kept[asked.file].channels[name]
        start_s = round(channel.start_s + begun[asked.file].seconds, 6)
        channels[name] = msgspec.structs.replace(channel, start_s=start_s, lost=_lost(sources[asked.file]))
    marks = [*description.mark]
    for name, source in sources.items():
        marks += [
            Mark(at_s=round(mark.at_s + begun[name].seconds, 6), text=mark.text)
            for mark in source.marks
            if _stays(mark, description)
        ]
    return Performance(
        title=description.title,
        performer=description.performer,
        recorded=description.recorded,
        place=description.place,
        notes=description.notes,
        channel=channels,
        mark=sorted(marks, key=lambda mark: mark.at_s),
        permission=description.permission,
    )


def _examine_all(
    sources: Mapping[str, IngestSource], description: Description, progress: Progress
) -> dict[str, Quality]:
    """The quality of every channel. The channels of one file are examined together, so that it is decoded once."""
    qualities: dict[str, Quality] = {}
    for number, (file, source) in enumerate(sources.items()):
        tracks = {track.label: track for track in source.tracks}
        lists = {beats.label: beats for beats in source.beats}
        sampled: dict[str, Track] = {}
        for name, channel in _channels_of(description, file).items():
            label = label_of(channel, source)
            if label in tracks:
                sampled[name] = tracks[label]
            else:
                qualities[name] = examine_beats(lists[label].beats)

        def told(share: float, file: str = file, number: int = number) -> None:
            progress(f"examining {file}", round((number + share) * _SHARES), len(sources) * _SHARES)

        qualities |= _side_by_side(sampled, description, told)
    return {name: qualities[name] for name in description.channel}


def _side_by_side(
    tracks: Mapping[str, Track], description: Description, told: Callable[[float], None]
) -> dict[str, Quality]:
    found: dict[str, Quality] = {}
    asked = {name: description.channel[name] for name in tracks}
    working = [
        examine_samples(retimed(track.stream, asked[name].rate_hz), asked[name].kind) for name, track in tracks.items()
    ]
    steps: Iterable[tuple[float | Quality | None, ...]] = zip_longest(*working)
    for step in steps:
        told(max((share for share in step if isinstance(share, float)), default=1.0))
        for name, result in zip(tracks, step, strict=True):
            if isinstance(result, Quality):
                found[name] = _scaled(result, description.channel[name].full_scale)
    return found


def _scaled(quality: Quality, full_scale: float) -> Quality:
    """The stream in physical values, where the source counts in digital full scale."""
    return replace(quality, lows=quality.lows * full_scale, highs=quality.highs * full_scale)


def _begun_words(begun: Mapping[str, SourceStart]) -> list[str]:
    return [f"{name} begins at {start.seconds:.3f} s: {start.how}." for name, start in begun.items()]


def _lost(source: IngestSource) -> str:
    return "; ".join(filter(None, (source.lossy, source.lost)))


def bag_info(performance: Performance, done: list[str]) -> dict[str, str | list[str]]:
    """The facts for the keeper of the bag. Custom elements are allowed by RFC 8493, section 2.2.2."""
    permission = performance.permission
    facts: dict[str, str | list[str]] = {
        "External-Description": ", ".join(filter(None, [performance.title, performance.place])),
        "Performer": performance.performer,
        "Recorded": performance.recorded.isoformat() if performance.recorded else "",
        "Channels": [f"{name}: {one.kind}, {one.site or 'site unknown'}" for name, one in performance.channel.items()],
        "Consent": permission.consent if permission else "",
        "Rights": permission.rights if permission else "",
        "Permitted-Use": permission.use if permission else "",
        "Ingest-Action": done,
    }
    return {name: value for name, value in facts.items() if value}
