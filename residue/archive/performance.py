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
import tomlkit
from msgspec import Meta

from residue.checking import check, read_toml
from residue.problems import ProblemError, nearest, stopping

FILE_NAME = "performance.toml"
LONGEST_S = 7 * 86_400.0
"""No evening is longer than a week; a start beyond it is a slip of the pen."""

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
    """When it begins."""
    length_s: Annotated[float, Meta(ge=0, le=LONGEST_S)]
    """How long it is."""


class Channel(ManifestTable, frozen=True, kw_only=True):
    """One sensor's recording, and where in the payload it is."""

    kind: ChannelKind
    """What the sensor measures."""
    file: str
    """Beside performance.toml or in a folder below it, with forward slashes."""
    site: str = ""
    """Where on the body: left forearm, O1, chest."""
    unit: str = "1"
    """Of the physical values: V, mV, uV, g, s, 1 …"""
    track: Annotated[int, Meta(ge=1)] | None = None
    """Which track of a sound file, counted from 1; the first if not given."""
    signal: str | None = None
    """Which signal of an EDF or BDF file, by its label."""
    full_scale: Annotated[float, Meta(gt=0)] = 1.0
    """The physical value of a sound file's digital full scale."""
    start_s: OffsetS = 0.0
    """When its first sample was taken, counted from the start of the performance."""
    rate_hz: Annotated[float, Meta(gt=0, le=1e6)] | None = None
    """Samples a second, where the file states them wrongly or its recorder's clock is known to have gone wrong."""
    bridged: list[ChannelSpan] = []
    """The gaps of a live recording; the file holds the values that were played in their place."""

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
    """When, in seconds from the start of the performance."""
    text: str
    """What was noted."""


class Permission(ManifestTable, frozen=True, kw_only=True):
    """The performer's consent; heart and brain recordings are health data about a person."""

    consent: Annotated[str, Meta(min_length=1)]
    """Who agreed, when, and where the signed paper is kept."""
    rights: str = ""
    """Who holds the rights, under which licence."""
    use: str = ""
    """What the recording may be used for."""
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
        """Whether it may be shown on a day."""
        return (self.shown_from or date.min) <= day <= (self.shown_until or date.max)


def check_names(channels: Iterable[str]) -> None:
    """Raises ValueError where the name of a channel could not be part of the name of a file."""
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
    """When its first frame was taken."""
    place: str = ""
    """Where."""
    notes: str = ""
    """What else should be known in twenty years."""
    duration_s: Annotated[float, Meta(gt=0, le=LONGEST_S)] | None = None
    """How long it was; where it is not told, to the end of the longest channel."""
    channel: Annotated[dict[str, Channel], Meta(min_length=1)]
    """The channels by name, as the piece reads them."""
    mark: list[Mark] = []
    """Moments that somebody noted."""
    permission: Permission | None = None
    """The performer's consent."""

    def __post_init__(self) -> None:
        check_names(self.channel)

    def the_channel(self, name: str, where: str) -> Channel:
        """A channel by name; raises ProblemError, with the nearest name, where there is none."""
        if name not in self.channel:
            what = f'{self.title} has no channel "{name}", which the piece asks for.'
            raise stopping(
                where, what, f"{nearest(name, self.channel)} Correct piece.toml, or choose another performance."
            )
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
    tables = msgspec.to_builtins(performance, builtin_types=(datetime, date))
    return tomlkit.dumps(tables)
