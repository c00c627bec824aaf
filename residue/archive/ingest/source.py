"""Sources of an ingest: files that an artist brings, in any format."""

from __future__ import annotations

from collections.abc import Callable, Collection, Sequence
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
    """Its name within the source, as used in a describe file."""
    stream: SampleStream
    _: KW_ONLY
    unit: str = "1"
    kind: ChannelKind | None = None
    """The kind, if the source states it."""
    signal: str | None = None
    """Its label in the file itself, if no other track has the same."""


@dataclass(frozen=True)
class BeatTrack:
    """One list of beats of a source."""

    label: str
    beats: BeatList
    start_s: float = 0.0
    """The time of the first beat, counted from the start of the source."""


@dataclass(frozen=True)
class IngestSource:
    """One file, or one group of files that belong together, as found. It is only read."""

    path: Path
    tracks: tuple[Track, ...] = ()
    beats: tuple[BeatTrack, ...] = ()
    began: datetime | None = None
    """The time of its first sample by the recorder's clock; it has an offset from UTC only if the recorder knew it."""
    marks: tuple[Mark, ...] = ()
    """Annotations (notes), in seconds from its start. They are free text, so only those that a person allows are
    kept.
    """
    private: tuple[str, ...] = ()
    """Facts in its header about the person or the device, in words."""
    _: KW_ONLY
    told: tuple[str, ...] = ()
    """How it was read, where that changes or limits the recording, in words for the report and the bag."""
    rate_assumed: bool = False
    """Whether its rate follows from a unit of time that nothing in the file states."""
    lossy: str = ""
    """That it was coded with loss, in words; empty for files that keep every bit."""
    lost: str = ""
    """What of it is lost, in words, where a person asked for what survives; empty where the file is whole."""
    strip: Callable[[Path, Collection[str] | None], None] | None = None
    """Copies what can be read of the file, without private data, and with only these notes; with None for the notes as
    much of both stays as the format allows. None where the samples are written again.
    """
    suffix: str = ""
    """The suffix of a file that can be kept unchanged; empty where the samples are written again."""

    @property
    def labels(self) -> list[str]:
        """The labels of all tracks and lists of beats."""
        return [track.label for track in self.tracks] + [beats.label for beats in self.beats]


def own_labels(names: Sequence[str]) -> list[str]:
    """A label of its own for each name: a number is added where several are alike."""
    return [
        name if names.count(name) == 1 else f"{name} ({names[: place + 1].count(name)})"
        for place, name in enumerate(names)
    ]


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
"""Sites of the international 10-20 system: a channel with such a name is EEG."""


def guess_kind(label: str) -> ChannelKind | None:
    """The kind of a channel, if its label says it."""
    words = "".join(letter if letter.isalnum() else " " for letter in label.lower()).split()
    if words and words[0] in _TEN_TWENTY:
        return ChannelKind.EEG
    return next(
        (KIND_WORDS[word.rstrip("0123456789")] for word in words if word.rstrip("0123456789") in KIND_WORDS), None
    )
