"""Rates that a kind of signal cannot have been recorded with: a wrong unit of time, or a wrong header."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from residue.archive.ingest.describe import Description, label_of
from residue.archive.ingest.source import IngestSource
from residue.archive.performance import ChannelKind
from residue.problems import Finding, ProblemError, Severity

_LEAST_HZ: Mapping[ChannelKind, float] = {
    ChannelKind.MMG: 50,
    ChannelKind.EMG: 100,
    ChannelKind.ECG: 50,
    ChannelKind.PULSE: 10,
    ChannelKind.EEG: 64,
    ChannelKind.EOG: 20,
    ChannelKind.EDA: 0.2,
    ChannelKind.RESP: 1,
    ChannelKind.TEMP: 0.005,
    ChannelKind.ACC: 5,
    ChannelKind.GYRO: 5,
    ChannelKind.FORCE: 1,
    ChannelKind.AUDIO: 4000,
}
"""Below this rate little of the signal would be left: about half of the lowest rates that sensors are sold with. Common
practice, no source.
"""
_MOST_HZ = 400_000.0
"""No converter for sensors or sound is faster: twice the highest rate of sound devices. Common practice, no source."""


def rate_doubt(kind: ChannelKind, rate_hz: float) -> str:
    """Why a rate is not likely for a kind of signal, in words; empty where it is."""
    if rate_hz < _LEAST_HZ.get(kind, 0.0):
        return f"{rate_hz:.4g} Hz is too slow for {kind}, at least {_LEAST_HZ[kind]:g} Hz are usual"
    return f"{rate_hz:.4g} Hz is faster than any sensor" if rate_hz > _MOST_HZ else ""


def check_rates(description: Description, sources: Mapping[str, IngestSource]) -> None:
    """Raises ProblemError, with everything at once, where a rate that is not likely rests on a guessed unit of time."""
    findings = list(_doubted(description, sources))
    if findings:
        raise ProblemError(findings)


def _doubted(description: Description, sources: Mapping[str, IngestSource]) -> Iterator[Finding]:
    for name, channel in description.channel.items():
        source = sources[channel.file]
        found = (track for track in source.tracks if track.label == label_of(channel, source))
        track = next(found, None)
        if track and source.rate_assumed and channel.rate_hz is None:
            doubt = rate_doubt(channel.kind, float(track.stream.rate_hz))
            if doubt:
                what = f"Its times were taken for seconds, but {doubt}."
                mend = f'Write time_unit = "ms", or the unit that is right, under [table."{channel.file}"].'
                yield Finding(Severity.STOPS, f"channel.{name}", what, mend)
