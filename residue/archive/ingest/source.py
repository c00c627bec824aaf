"""Sources of an ingest: files that an artist brings, in any format."""

from __future__ import annotations

from collections.abc import Callable, Collection
from dataclasses import KW_ONLY, dataclass
from datetime import datetime
from pathlib import Path

from residue.archive.performance import ChannelKind, Mark
from residue.archive.readers.beats import BeatList
from residue.dsp.resampling import SampleStream


@dataclass(frozen=True)
class Track:
    """One evenly sampled channel of a source."""

    label: str
    """Its name within the source; a describe file asks for it by this."""
    stream: SampleStream
    _: KW_ONLY
    unit: str = "1"
    kind: ChannelKind | None = None
    """As far as the source says."""
    signal: str | None = None
    """Its label in the file itself, where that names it and no other."""


@dataclass(frozen=True)
class BeatTrack:
    """One list of beats of a source."""

    label: str
    beats: BeatList
    start_s: float = 0.0
    """When the first beat is, counted from the start of the source."""


@dataclass(frozen=True)
class IngestSource:
    """One file, or one group of files that belong together, as it was found. It is only ever read."""

    path: Path
    tracks: tuple[Track, ...] = ()
    beats: tuple[BeatTrack, ...] = ()
    began: datetime | None = None
    """When its first sample was taken, by the recorder's own clock; without offset, recorders rarely know one."""
    marks: tuple[Mark, ...] = ()
    """Annotations (notes), in seconds from its start. They are free text: only those that a person allows are kept."""
    private: tuple[str, ...] = ()
    """Facts in its header about the person or the device, in words."""
    spoilt: str = ""
    """The part that could not be read, as a clause; empty where the file is whole."""
    strip: Callable[[Path, Collection[str]], None] | None = None
    """Copies the file without what is private, and with only these notes; None where the samples are written again."""
    suffix: str = ""
    """Of the file that can be kept as it came; empty where the samples are written again."""

    @property
    def labels(self) -> list[str]:
        """Of all that is in it."""
        return [track.label for track in self.tracks] + [beats.label for beats in self.beats]


KIND_WORDS: dict[str, ChannelKind] = {
    **{kind.value: kind for kind in ChannelKind},
    "ekg": ChannelKind.ECG,
    "ppg": ChannelKind.PULSE,
    "pleth": ChannelKind.PULSE,
    "gsr": ChannelKind.EDA,
    "accelerometer": ChannelKind.ACC,
    "rri": ChannelKind.RR,
    "breath": ChannelKind.RESP,
}
_TEN_TWENTY = frozenset(
    {
        "fp1",
        "fp2",
        "f7",
        "f3",
        "fz",
        "f4",
        "f8",
        "t3",
        "c3",
        "cz",
        "c4",
        "t4",
        "t5",
        "p3",
        "pz",
        "p4",
        "t6",
        "o1",
        "o2",
        "a1",
        "a2",
        "t7",
        "t8",
        "p7",
        "p8",
        "oz",
        "fpz",
        "fcz",
        "cpz",
        "poz",
        "af3",
        "af4",
    }
)
"""Sites of the international 10-20 system: a channel that bears such a name is EEG."""


def guess_kind(label: str) -> ChannelKind | None:
    """The kind of a channel, where its label says it."""
    words = "".join(letter if letter.isalnum() else " " for letter in label.lower()).split()
    if words and words[0] in _TEN_TWENTY:
        return ChannelKind.EEG
    return next(
        (KIND_WORDS[word.rstrip("0123456789")] for word in words if word.rstrip("0123456789") in KIND_WORDS), None
    )
