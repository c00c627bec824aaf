"""Sound files as sources: WAV, RF64 and broadcast WAV, FLAC, AIFF."""

from __future__ import annotations

import re
from collections.abc import Callable, Collection
from datetime import datetime
from pathlib import Path

import soundfile

from residue.archive.ingest.source import IngestSource, Track
from residue.archive.readers.sound import SoundTrack, open_blocks

_CHUNK = re.compile(r"^(\w[\w ]{3}) +: \d+", re.MULTILINE)
_SOUND_CHUNKS = frozenset(
    {
        "RIFF",
        "RF64",
        "WAVE",
        "FORM",
        "AIFF",
        "fmt_",
        "data",
        "fact",
        "ds64",
        "PEAK",
        "COMM",
        "SSND",
        "JUNK",
        "junk",
        "FLLR",
        "PAD_",
        "PAD",
        "FVER",
    }
)
"""Chunks with only sound or nothing; all others (bext, iXML, LIST, id3, NAME …) may name people and devices."""
_HEAD_BYTES = 1 << 16
_ORIGINATION = re.compile(rb"bext.{4}.{320}(\d{4})\D(\d\d)\D(\d\d)(\d\d)\D(\d\d)\D(\d\d)", re.DOTALL)
"""Date and time in the chunk of a broadcast WAV, after description, originator and reference (EBU Tech 3285)."""
_COPY_FRAMES = 1 << 16


def open_sound_source(path: Path) -> IngestSource:
    """Opens every track of a sound file; full scale is 1. Raises ProblemError."""
    blocks = open_blocks(path)
    file = blocks.file
    tracks = tuple(Track(f"track {track}", SoundTrack(blocks, track, 1.0)) for track in range(1, file.channels + 1))
    private = _private(file)
    return IngestSource(
        path, tracks, began=_began(path), private=private, strip=_strip(path), suffix=path.suffix.lower()
    )


def _private(file: soundfile.SoundFile) -> tuple[str, ...]:
    tags = [f"{name} ({value.strip()[:40]})" for name, value in sorted(file.copy_metadata().items()) if value.strip()]
    names = {name.strip() for name in _CHUNK.findall(file.extra_info)}
    chunks = sorted(f"the {name} chunk" for name in names - {chunk.strip("_") for chunk in _SOUND_CHUNKS})
    return (*tags, *chunks)


def _began(path: Path) -> datetime | None:
    with path.open("rb") as file:
        found = _ORIGINATION.search(file.read(_HEAD_BYTES))
    try:
        # The format has no UTC offset.
        return datetime.strptime(b"".join(found.groups()).decode(), "%Y%m%d%H%M%S") if found else None  # noqa: DTZ007
    except ValueError:
        return None


def _strip(path: Path) -> Callable[[Path, Collection[str]], None]:
    def strip(target: Path, _notes: Collection[str]) -> None:
        """Writes the same samples, with the same bits and in the same format, and nothing else."""
        with soundfile.SoundFile(path) as source:
            # int32 keeps whole numbers unchanged, float64 keeps floating-point numbers unchanged.
            whole = source.subtype.startswith("PCM")
            written = {"samplerate": source.samplerate, "channels": source.channels, "subtype": source.subtype}
            with soundfile.SoundFile(target, "w", format=source.format, endian=source.endian, **written) as kept:
                while len(block := source.read(_COPY_FRAMES, dtype="int32" if whole else "float64", always_2d=True)):
                    kept.write(block)

    return strip
