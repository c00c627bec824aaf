"""performance.toml: one archived evening, its channels, its marks, and the performer's permission."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import replace
from datetime import date, datetime
from enum import StrEnum
from pathlib import Path, PurePosixPath
from typing import Annotated

import msgspec
from msgspec import Meta

from residue.checking import check, read_toml
from residue.problems import ProblemError, nearest, stopping

FILE_NAME = "performance.toml"
LONGEST_S = 7 * 86_400.0
"""No evening is longer than a week; a later start is a mistake."""

PLAIN_NAME = re.compile(r"[A-Za-z0-9_-]{1,64}")

OffsetS = Annotated[float, Meta(ge=-LONGEST_S, le=LONGEST_S)]


class ChannelKind(StrEnum):
    """The kind of signal that a sensor records."""

    MMG = "mmg"
    """Muscle sound: mechanomyogram, by microphone or accelerometer."""
    EMG = "emg"
    """Electromyogram."""
    ECG = "ecg"
    """Electrocardiogram."""
    PULSE = "pulse"
    """Pulse wave: photoplethysmogram or pressure."""
    RR = "rr"
    """Intervals from beat to beat; events, not samples."""
    EEG = "eeg"
    """Electroencephalogram."""
    EOG = "eog"
    """Electrooculogram."""
    EDA = "eda"
    """Electrodermal activity: conductance of the skin."""
    RESP = "resp"
    """Breath: belt or flow."""
    TEMP = "temp"
    """Temperature of the skin or the body."""
    ACC = "acc"
    """Acceleration."""
    GYRO = "gyro"
    """Rate of turn."""
    FORCE = "force"
    """Force or pressure of a hold, a step, a seat."""
    AUDIO = "audio"
    """Air sound: a room or voice microphone."""


SECONDS_PER_UNIT: Mapping[str, float] = {"s": 1.0, "ms": 0.001}
"""The units of intervals from beat to beat."""


class ManifestTable(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True, omit_defaults=True):
    """A table of performance.toml: unknown keys are faults, values do not change."""


class ChannelSpan(ManifestTable, frozen=True, kw_only=True):
    """A part of a channel, in seconds from its first sample."""

    start_s: Annotated[float, Meta(ge=0, le=LONGEST_S)]
    """The time at which it begins."""
    length_s: Annotated[float, Meta(ge=0, le=LONGEST_S)]
    """Its length."""


class Channel(ManifestTable, frozen=True, kw_only=True):
    """The recording of one sensor, and its place in the payload."""

    kind: ChannelKind
    """The kind of signal that the sensor measures."""
    file: str
    """The file, beside performance.toml or in a folder below it, with forward slashes."""
    site: str = ""
    """The place on the body: left forearm, O1, chest."""
    unit: str = "1"
    """The unit of the physical values: V, mV, uV, g, s, 1 …"""
    track: Annotated[int, Meta(ge=1)] | None = None
    """The track of a sound file, counted from 1; the first if not given."""
    signal: str | None = None
    """The signal of an EDF or BDF file, by its label."""
    full_scale: Annotated[float, Meta(gt=0)] = 1.0
    """The physical value of a sound file's digital full scale."""
    start_s: OffsetS = 0.0
    """The time of its first sample, counted from the start of the performance."""
    rate_hz: Annotated[float, Meta(gt=0, le=1e6)] | None = None
    """Samples a second, if the file states a wrong rate or the recorder's clock was wrong."""
    lost: str = ""
    """What of its recording was lost before it was archived, in words."""
    short_filter: bool = False
    """Whether a short filter brings it to the rate of the mapping graph, as when it was played live."""
    bridged: list[ChannelSpan] = []
    """The gaps of a live recording; in the gaps the file has the values that were played."""

    def __post_init__(self) -> None:
        path = PurePosixPath(self.file)
        if not self.file or path.is_absolute() or ".." in path.parts or "\\" in self.file:
            raise ValueError(
                f'file = "{self.file}" does not stay in the folder of {FILE_NAME}. Name a file beside or below it.'
            )
        if self.kind is ChannelKind.RR and self.unit not in SECONDS_PER_UNIT:
            raise ValueError(f'unit = "{self.unit}" is not a unit of beat intervals. Write "s" or "ms".')


class Mark(ManifestTable, frozen=True, kw_only=True):
    """Something a person noted at a moment of the performance."""

    at_s: OffsetS
    """The time in seconds from the start of the performance."""
    text: str
    """The text of the note."""


class Permission(ManifestTable, frozen=True, kw_only=True):
    """The performer's consent; heart and brain recordings are health data about a person."""

    consent: Annotated[str, Meta(min_length=1)]
    """Who agreed, when, and where the signed paper is."""
    rights: str = ""
    """Who holds the rights, under which licence."""
    use: str = ""
    """The permitted use of the recording."""
    shown_from: date | None = None
    """The first day on which it may be shown."""
    shown_until: date | None = None
    """The last day on which it may be shown."""

    def __post_init__(self) -> None:
        if self.shown_from and self.shown_until and self.shown_until < self.shown_from:
            raise ValueError(
                f"shown_until = {self.shown_until} is before shown_from = {self.shown_from}. "
                "Exchange them, or correct one."
            )

    def permits(self, day: date) -> bool:
        """Whether the recording may be shown on a day."""
        return (self.shown_from or date.min) <= day <= (self.shown_until or date.max)


def check_names(channels: Iterable[str]) -> None:
    """Raises ValueError where the name of a channel cannot be part of a file name."""
    faults = [
        f'channel."{name}" is not a plain name. Use letters, digits, "_" and "-".'
        for name in channels
        if not PLAIN_NAME.fullmatch(name)
    ]
    if faults:
        raise ValueError(*faults)


class Performance(ManifestTable, frozen=True, kw_only=True):
    """The facts about one archived evening, sealed in its bag."""

    title: str
    """The title of the evening."""
    performer: str = ""
    """Who performed."""
    recorded: Annotated[datetime, Meta(tz=True)] | None = None
    """The time of its first frame."""
    place: str = ""
    """The place of the evening."""
    notes: str = ""
    """Other facts that people should know in twenty years."""
    duration_s: Annotated[float, Meta(gt=0, le=LONGEST_S)] | None = None
    """Its length; if not given, it ends with the longest channel."""
    channel: Annotated[dict[str, Channel], Meta(min_length=1)]
    """The channels by name, as the piece reads them."""
    mark: list[Mark] = []
    """Moments that somebody noted."""
    permission: Permission | None = None
    """The performer's consent."""

    def __post_init__(self) -> None:
        check_names(self.channel)

    def the_channel(self, name: str, where: str) -> Channel:
        """A channel by name. Raises ProblemError, with the nearest name, for an unknown name."""
        if name not in self.channel:
            what = f'{self.title} has no channel "{name}", which the piece asks for.'
            mend = f"{nearest(name, self.channel)} Correct channel in piece.toml, or ingest it again under that name."
            raise stopping(where, what, mend)
        return self.channel[name]


def read_performance(path: Path) -> Performance:
    """The facts in a performance.toml; raises ProblemError with everything that is wrong."""
    where = f"{path.parent.parent.name}: {path.name}"
    raw, findings = read_toml(path)
    if findings:
        raise ProblemError([replace(finding, where=where) for finding in findings])
    performance, findings = check(raw, Performance, where)
    if performance is None:
        raise ProblemError(findings)
    return performance


def write_performance(performance: Performance) -> str:
    """The text of performance.toml, without default values."""
    import tomlkit  # a house reads performances and writes none

    tables = msgspec.to_builtins(performance, builtin_types=(datetime, date))
    return tomlkit.dumps(tables)
