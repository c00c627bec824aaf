"""Sound files as sources: WAV, RF64 and broadcast WAV, FLAC, AIFF."""

from __future__ import annotations

import re
from collections.abc import Callable, Collection
from datetime import datetime
from pathlib import Path

import soundfile

from residue.archive.ingest.source import IngestSource, Track
from residue.archive.readers.sound import SoundBlocks, SoundTrack, open_blocks
from residue.archive.readers.sound_survivor import goes_on, open_survivor
from residue.problems import stopping

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
    if goes_on(path):
        what = "Its recorder did not close it: sound goes on after the end that its header declares."
        raise stopping(path.name, what, "Copy it again from the recorder.")
    blocks = open_blocks(path)
    blocks.check_end()
    blocks.mend += f' If there is no better copy, write damaged = ["{path.name}"] in the describe file.'
    return _source(path, blocks, "")


def salvage_sound(path: Path, scratch: Path) -> IngestSource:
    """Opens what survives of a damaged sound file. scratch: a folder for temporary data. Raises ProblemError."""
    return _source(path, *open_survivor(path, scratch))


def _source(path: Path, blocks: SoundBlocks, lost: str) -> IngestSource:
    file = blocks.file
    tracks = tuple(Track(f"track {track}", SoundTrack(blocks, track, 1.0)) for track in range(1, file.channels + 1))
    private = _private(file)
    return IngestSource(
        path, tracks, began=_began(path), private=private, strip=_strip(blocks), suffix=path.suffix.lower(), lost=lost
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


def _strip(blocks: SoundBlocks) -> Callable[[Path, Collection[str] | None], None]:
    def strip(target: Path, _notes: Collection[str] | None) -> None:
        """Writes the same samples, with the same bits and in the same format, and nothing else."""
        source = blocks.file
        source.seek(0)
        # int32 keeps whole numbers unchanged, float64 keeps floating-point numbers unchanged.
        dtype = "int32" if source.subtype.startswith("PCM") else "float64"
        written = {"samplerate": source.samplerate, "channels": source.channels, "subtype": source.subtype}
        with soundfile.SoundFile(target, "w", format=source.format, endian=source.endian, **written) as kept:
            for start in range(0, blocks.frames, _COPY_FRAMES):
                kept.write(source.read(min(_COPY_FRAMES, blocks.frames - start), dtype=dtype, always_2d=True))

    return strip
