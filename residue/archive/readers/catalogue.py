"""The reader that opens a channel, for each kind of file."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from fractions import Fraction
from pathlib import Path

from residue.archive.beside import disk_problem
from residue.archive.file_kinds import FileKind, endings_of, kind_of_file
from residue.archive.performance import Channel
from residue.archive.readers.edf import open_edf
from residue.archive.readers.sound import open_sound
from residue.dsp.resampling import Floats, SampleStream
from residue.problems import ProblemError, stopping

_OPENERS: Mapping[FileKind, Callable[[Path, Channel], SampleStream]] = {
    FileKind.SOUND: open_sound,
    FileKind.EDF: open_edf,
}


def open_channel(path: Path, channel: Channel) -> SampleStream:
    """Opens the samples of a channel from its file, at the stated rate. Raises ProblemError."""
    kind = kind_of_file(path)
    if kind is None or kind not in _OPENERS:
        known = f"These can be read: {endings_of(_OPENERS)}."
        raise stopping(path.name, f'Files that end in "{path.suffix}" cannot be read here.', known)
    try:
        stream = _OPENERS[kind](path, channel)
    except ProblemError:
        raise
    except OSError as error:
        raise disk_problem(path, error) from error
    return retimed(stream, channel.rate_hz)


def retimed(stream: SampleStream, rate_hz: float | None) -> SampleStream:
    """The same samples at the rate that a person states, if one is stated."""
    return stream if rate_hz is None else _Retimed(stream, rate_hz)


class _Retimed:
    """The same samples at another rate."""

    def __init__(self, stream: SampleStream, rate_hz: float) -> None:
        self._stream = stream
        self.rate_hz = Fraction(rate_hz).limit_denominator(_FINEST_RATE)
        self.length = stream.length

    def read(self, start: int, stop: int) -> Floats:
        return self._stream.read(start, stop)


_FINEST_RATE = 10**6
"""The largest denominator of a stated rate."""
