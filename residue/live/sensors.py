"""The source of each channel of a live performance, from sensors.toml."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Set
from datetime import datetime
from typing import Annotated

import msgspec
from msgspec import Meta

from residue.archive.performance import PLAIN_NAME, SECONDS_PER_UNIT, Channel, ChannelKind, Performance, Permission
from residue.control.settings import Listening, UdpPort
from residue.mapping.signals import AUDIO_RATE_HZ, CONTROL_RATE_HZ, Kind
from residue.problems import Finding, Severity, nearest

FILE_NAME = "sensors.toml"
SOUND_FILE = "sound.input.wav"
"""No channel has a dot in its name, so no other file has this name."""
BEATS_COLUMN = "interval_s"


class Messages(Listening, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Where the OSC messages of the sensors are received."""

    port: UdpPort = 47_310


class Sensor(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """One channel: a channel of the sound input, or an OSC address.

    A message to an address carries one or more samples in `unit`, each a number; of a list of beats (kind rr) it is
    one beat, and may carry the interval that ended with it, in `unit`.
    """

    kind: ChannelKind
    """The kind of signal that the sensor measures."""
    site: str = ""
    """The place on the body: left forearm, O1, chest."""
    unit: str = "1"
    """The unit of its values; "s" or "ms" for beats."""
    full_scale: Annotated[float, Meta(gt=0)] = 1.0
    """The physical value of digital full scale of the sound input, or of a 1 in a message."""
    input: Annotated[int, Meta(ge=1, le=64)] | None = None
    """Channel of the sound input, counted from 1."""
    address: Annotated[str, Meta(pattern=r"^(/[^\s#*,/?\[\]{}]+)+$", examples=["/brain/o1"])] | None = None
    """The OSC address at which its samples or beats come."""
    rate_hz: Annotated[int, Meta(ge=16, le=CONTROL_RATE_HZ)] | None = None
    """Samples a second at the address. A low rate adds latency: 9 / rate_hz in seconds."""
    cushion_s: Annotated[float, Meta(ge=0.005, le=2.0)] | None = None
    """So much of what comes to the address waits, because networks are uneven: 0.2 if not given. Less adds gaps."""

    def __post_init__(self) -> None:
        if (self.input is None) == (self.address is None):
            raise ValueError("A channel comes from the sound input or from an address. Write one of input and address.")
        beats = self.kind is ChannelKind.RR
        if beats and self.address is None:
            raise ValueError("Beats come by messages. Write an address, or read an ecg from the sound input.")
        if beats and self.unit not in SECONDS_PER_UNIT:
            raise ValueError(f'unit = "{self.unit}" is not a unit of beat intervals. Write "s" or "ms".')
        if (self.rate_hz is None) == (self.address is not None and not beats):
            raise ValueError("rate_hz belongs to samples that come to an address. Write it there, and nowhere else.")
        if self.cushion_s is not None and self.rate_hz is None:
            raise ValueError("cushion_s belongs to samples that come to an address. Write it there, and nowhere else.")

    @property
    def beats(self) -> bool:
        """Whether it sends beats, not samples."""
        return self.kind is ChannelKind.RR


class Sensors(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The artist's file for a live evening: its facts, and the source of each channel."""

    title: str
    """The title of the evening."""
    performer: str = ""
    """The name of the performer."""
    place: str = ""
    """The place of the evening."""
    notes: str = ""
    """Other facts that people should know in twenty years."""
    permission: Permission | None = None
    """The performer's consent."""
    device: str | None = None
    """Name of the sound input."""
    osc: Messages = Messages()
    """The address at which the OSC messages are received."""
    channel: Annotated[dict[str, Sensor], Meta(min_length=1)]
    """The channels by name, as the piece reads them."""

    def __post_init__(self) -> None:
        if self.device is None and any(sensor.input for sensor in self.channel.values()):
            raise ValueError('Channels come from a sound input. Write device = "…", the name of one.')
        for name in self.channel:
            if not PLAIN_NAME.fullmatch(name):
                raise ValueError(f'channel."{name}" is not a plain name. Use letters, digits, "_" and "-".')
        addresses = [sensor.address for sensor in self.channel.values() if sensor.address]
        for address in addresses:
            if addresses.count(address) > 1:
                raise ValueError(f'Two channels come from "{address}". Give each an address of its own.')

    @property
    def inputs(self) -> Mapping[str, Sensor]:
        """The channels of the sound input, by name, in their order."""
        return {name: sensor for name, sensor in self.channel.items() if sensor.input is not None}

    def performance(self, recorded: datetime) -> Performance:
        """The performance.toml of the evening; each channel in its file of the bag."""
        return Performance(
            title=self.title,
            performer=self.performer,
            recorded=recorded,
            place=self.place,
            notes=self.notes,
            permission=self.permission,
            channel={name: self._channel(name, sensor) for name, sensor in self.channel.items()},
        )

    def file_of(self, name: str) -> str:
        """The file of the bag that a channel goes into."""
        sensor = self.channel[name]
        return SOUND_FILE if sensor.input is not None else f"{name}.csv" if sensor.beats else f"{name}.wav"

    def _channel(self, name: str, sensor: Sensor) -> Channel:
        file = self.file_of(name)
        if sensor.beats:
            return Channel(kind=sensor.kind, file=file, site=sensor.site, unit="s", signal=BEATS_COLUMN)
        return Channel(
            kind=sensor.kind,
            file=file,
            site=sensor.site,
            unit=sensor.unit,
            track=None if sensor.input is None else 1 + list(self.inputs).index(name),
            full_scale=sensor.full_scale,
            short_filter=True,
        )


def check_needs(sensors: Sensors, needs: Mapping[str, Set[Kind]]) -> Iterator[Finding]:
    """Finds channels that the piece reads but no sensor sends, or that cannot be of the wanted kind."""
    for name in sorted(needs):
        if name not in sensors.channel:
            what = f'The piece reads a channel "{name}", but no sensor sends it.'
            mend = nearest(name, sensors.channel) + f" Or write a table [channel.{name}]."
            yield Finding(Severity.STOPS, f"{FILE_NAME}: channel.{name}", what, mend)
            continue
        sensor = sensors.channel[name]
        fits = {Kind.EVENTS} if sensor.beats else {Kind.SLOW, Kind.FAST}
        for kind in sorted(needs[name] - fits):
            what = f"Channel {name} is {sensor.kind}, and the piece reads it as {kind}."
            mend = f"In piece.toml read it as {' or '.join(sorted(fits))}, or send another kind."
            yield Finding(Severity.STOPS, f"{FILE_NAME}: channel.{name}.kind", what, mend)


def rate_hz_of(sensor: Sensor) -> int:
    """Samples a second of a channel that has samples."""
    return AUDIO_RATE_HZ if sensor.rate_hz is None else sensor.rate_hz
