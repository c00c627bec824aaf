"""The describe file: facts about a recording that only a person knows, and a template for the file."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping
from datetime import datetime
from pathlib import Path
from typing import Annotated

import msgspec
import tomlkit
from msgspec import Meta

from residue.archive.ingest.facts import TableFacts
from residue.archive.ingest.source import IngestSource
from residue.archive.ingest.suggesting import Suggestions
from residue.archive.performance import Channel, ChannelKind, ManifestTable, Mark, OffsetS, Permission, check_names
from residue.checking import check, read_toml
from residue.problems import Finding, ProblemError, Severity, nearest

_MOST_NOTES = 200
"""The most notes that a template lists."""


class Align(ManifestTable, frozen=True, kw_only=True):
    """The start of one source relative to another: by a time, by a mark in both, or by a signal in both."""

    file: str
    """The source that is placed."""
    to: str
    """The source that it is placed relative to."""
    offset_s: OffsetS | None = None
    """The source began so much later than the other."""
    mark: str | None = None
    """The text of a mark that both have, such as a clap."""
    signals: Annotated[list[str], Meta(min_length=2, max_length=2)] | None = None
    """The label in this source and the label in the other, for the same signal."""
    within_s: Annotated[float, Meta(gt=0, le=3600)] = 60.0
    """For signals: the largest difference between the two starts."""

    def __post_init__(self) -> None:
        if sum(given is not None for given in (self.offset_s, self.mark, self.signals)) != 1:
            raise ValueError("An [[align]] needs one of offset_s, mark, signals. Write one of them.")


class Description(ManifestTable, frozen=True, kw_only=True):
    """Facts about a recording that only a person knows: the future performance.toml, with the sources as its files."""

    title: str
    """The title of the evening."""
    performer: str = ""
    """The name of the performer."""
    recorded: Annotated[datetime, Meta(tz=True)] | None = None
    """The time of the first sample, with the offset from UTC."""
    place: str = ""
    """The place of the evening."""
    notes: str = ""
    """Other facts that people should know in twenty years."""
    keep_private: bool = False
    """Leave names, birth dates, serial numbers and notes in the files."""
    keep_notes: list[str] = msgspec.field(default_factory=list)
    """Notes in the files that may be kept and shown, word for word; all others are removed."""
    damaged: list[str] = msgspec.field(default_factory=list)
    """Files that are damaged, and of which what survives is taken."""
    channel: Annotated[dict[str, Channel], Meta(min_length=1)]
    """The channels by name; `file` names a source."""
    mark: list[Mark] = msgspec.field(default_factory=list)
    """Moments that somebody noted."""
    permission: Permission | None = None
    """The performer's consent."""
    table: dict[str, TableFacts] = msgspec.field(default_factory=dict)
    """Facts about tables, by file name."""
    align: list[Align] = msgspec.field(default_factory=list)
    """The start times of sources that did not begin together."""

    def __post_init__(self) -> None:
        check_names(self.channel)

    @property
    def consented(self) -> frozenset[str]:
        """The notes that may stay: those in the describe file."""
        return frozenset(self.keep_notes) | {align.mark for align in self.align if align.mark}

    @property
    def files(self) -> set[str]:
        """The sources that the describe file names."""
        of_channels = {channel.file for channel in self.channel.values()}
        return of_channels | {name for align in self.align for name in (align.file, align.to)}


def read_description(path: Path) -> Description:
    """A describe file; raises ProblemError with everything that is wrong."""
    raw, findings = read_toml(path)
    description, found = (None, findings) if findings else check(raw, Description, path.name)
    if description is None:
        raise ProblemError(found)
    return description


def check_against(description: Description, sources: Mapping[str, IngestSource], names: Iterable[str]) -> None:
    """Raises ProblemError, with everything at once, where a describe file names things that the sources lack.

    sources: by file name, those that the describe file names. names: those of all files found.
    """
    names = list(names)
    findings = list(_unknown_channels(description, sources, names))
    for name in sorted(set(description.damaged) - set(names)):
        findings.append(Finding(Severity.STOPS, "damaged", f'There is no source "{name}".', nearest(name, names)))
    for number, align in enumerate(description.align, 1):
        for key in ("file", "to"):
            name = getattr(align, key)
            if name not in sources:
                what, mend = f'There is no source "{name}".', nearest(name, names)
                findings.append(Finding(Severity.STOPS, f"align[{number}].{key}", what, mend))
    if findings:
        raise ProblemError(findings)


def _unknown_channels(
    description: Description, sources: Mapping[str, IngestSource], names: Iterable[str]
) -> Iterator[Finding]:
    for name, channel in description.channel.items():
        if channel.file not in sources:
            what, mend = f'There is no source "{channel.file}".', nearest(channel.file, names)
            yield Finding(Severity.STOPS, f"channel.{name}.file", what, mend)
        elif label_of(channel, sources[channel.file]) not in sources[channel.file].labels:
            asked = channel.signal or f"track {channel.track}"
            mend = nearest(asked, sources[channel.file].labels)
            yield Finding(Severity.STOPS, f"channel.{name}", f'{channel.file} holds no "{asked}".', mend)


def label_of(channel: Channel, source: IngestSource) -> str:
    """The label of a source that a channel asks for: by signal, by track, or the only one there is."""
    if channel.signal is not None:
        return channel.signal
    if channel.track is not None and channel.track <= len(source.tracks):
        return source.tracks[channel.track - 1].label
    return source.labels[0] if channel.track is None and len(source.labels) == 1 else ""


def template(sources: Mapping[str, IngestSource], tables: Mapping[str, Suggestions]) -> str:
    """A describe file with all facts from the sources, for a person to complete. tables: what is known of them."""
    document = tomlkit.document()
    document.add(tomlkit.comment("Facts about the recording. Fill in the empty values, remove the channels that you"))
    document.add(tomlkit.comment("do not want, then ingest again with --describe and the name of this file."))
    document.add(tomlkit.comment("Name each channel as the piece reads it: [channel.NAME]."))
    for key in ("title", "performer", "place", "notes"):
        document.add(key, "")
    began = [source.began for source in sources.values() if source.began]
    local = [moment for moment in began if moment.tzinfo is None]
    first = f"{min(local).isoformat()}+01:00" if local else min(began).isoformat() if began else ""
    moment = first or "2026-02-11T23:40:00+01:00"
    document.add(tomlkit.comment(f"recorded = {moment}  # with the offset from UTC at that place"))
    _add_damaged(document, sources)
    _add_notes(document, sources)
    channels = tomlkit.table(is_super_table=True)
    for file, source in sources.items():
        for label in source.labels:
            name = _plain(label, channels)
            channels.add(name, _channel_table(file, source, label))
    document.add("channel", channels)
    for file, suggested in tables.items():
        _add_table(document, file, suggested)
    document.add(tomlkit.nl())
    document.add(tomlkit.comment("[permission]  # heart and brain recordings are health data about a person"))
    document.add(tomlkit.comment('consent = "signed by …, on …, kept at …"'))
    document.add(tomlkit.comment("shown_until = 2028-12-31"))
    return tomlkit.dumps(document)


def _add_damaged(document: tomlkit.TOMLDocument, sources: Mapping[str, IngestSource]) -> None:
    """Adds what is lost of damaged files; a person decides whether to take what survives."""
    damaged = {name: source.lost for name, source in sources.items() if source.lost}
    for name, lost in damaged.items():
        document.add(tomlkit.comment(f"{tomlkit.item(name).as_string()} is {lost}."))
    if damaged:
        document.add(tomlkit.comment("Copy them again; if no better copy exists, take what survives:"))
        names = tomlkit.array()
        names.extend(damaged)
        document.add(tomlkit.comment(f"damaged = {names.as_string()}"))


def _add_table(document: tomlkit.TOMLDocument, file: str, suggested: Suggestions) -> None:
    """Adds the facts that a table needs, as far as they are known; the others as comments."""
    document.add(tomlkit.nl())
    if suggested:
        table = tomlkit.table()
        for key, value in suggested.items():
            table.add(key, value)
        if "time" in suggested:
            table.add(tomlkit.comment('time_unit = "ms"  # or "s", "us", "ns", where the column does not tell it'))
        document.add("table", tomlkit.table(is_super_table=True).add(file, table))
        return
    document.add(tomlkit.comment(f'[table."{file}"]  # its rate, or the column that holds the time'))
    document.add(tomlkit.comment("rate_hz = 100"))
    document.add(tomlkit.comment('time = "t"'))


def _add_notes(document: tomlkit.TOMLDocument, sources: Mapping[str, IngestSource]) -> None:
    """Adds the notes in the files, for the performer's consent; a note that is not listed is removed."""
    found = list(dict.fromkeys(mark.text for source in sources.values() for mark in source.marks))
    if not found:
        return
    document.add(tomlkit.comment("The files hold notes, and a note may name a person or a record. Only those that you"))
    document.add(tomlkit.comment("list in keep_notes are kept and shown; ask the performer. These were found:"))
    for text in found[:_MOST_NOTES]:
        document.add(tomlkit.comment(f"  {tomlkit.item(text).as_string()},"))
    if len(found) > _MOST_NOTES:
        document.add(tomlkit.comment(f"  and {len(found) - _MOST_NOTES} more"))
    document.add("keep_notes", tomlkit.array())


def _channel_table(file: str, source: IngestSource, label: str) -> tomlkit.items.Table:
    table = tomlkit.table()
    track = next((track for track in source.tracks if track.label == label), None)
    if track is None:
        table.add("kind", ChannelKind.RR.value)
    elif track.kind:
        table.add("kind", track.kind.value)
    else:
        table.add("kind", "")
        table["kind"].comment(", ".join(ChannelKind))
    table.add("site", "")
    table.add("file", file)
    table.add("signal", label)
    if track and source.suffix and track.unit == "1":
        table.add("unit", "1")
        table.add("full_scale", 1.0)
        table["full_scale"].comment("the physical value of digital full scale, in unit")
    else:
        table.add("unit", track.unit if track else "s")
    return table


def _plain(label: str, taken: Mapping[str, object]) -> str:
    """A label turned into a name for a channel that is not used yet."""
    stem = re.sub(r"[^a-z0-9]+", "_", label.lower()).strip("_")[:48] or "channel"
    number = 1
    name = stem
    while name in taken:
        number += 1
        name = f"{stem}_{number}"
    return name
