"""Copies a source into the payload: unchanged, without private data, or as samples in a plain file."""

from __future__ import annotations

import math
import re
import shutil
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from pathlib import Path

import msgspec
import soundfile

from residue.archive.gaps import Bridged
from residue.archive.ingest.describe import label_of
from residue.archive.ingest.source import BeatTrack, IngestSource, Track
from residue.archive.performance import Channel, ChannelKind
from residue.archive.readers.catalogue import open_channel
from residue.dsp.resampling import resampled
from residue.problems import stopping

_BLOCK_SAMPLES = 1 << 16
_HEAD_BYTES = 256
_LARGEST_WAV_BYTES = 4_000_000_000
"""A WAV file counts its bytes in 32 bits; larger ones are RF64 (EBU Tech 3306)."""


@dataclass(frozen=True)
class StoredSource:
    """A source in the payload: its channels as performance.toml names them, and one sentence for each change."""

    channels: Mapping[str, Channel]
    done: tuple[str, ...]


def file_names(source: IngestSource, channels: Mapping[str, Channel]) -> Mapping[str, str]:
    """The file in the payload that each channel goes into."""
    if source.suffix:
        return dict.fromkeys(channels, re.sub(r"[^A-Za-z0-9._-]+", "_", source.path.name))
    sampled = {track.label for track in source.tracks}
    return {
        name: f"{name}{'.wav' if label_of(channel, source) in sampled else '.txt'}"
        for name, channel in channels.items()
    }


def keep(
    source: IngestSource,
    channels: Mapping[str, Channel],
    folder: Path,
    *,
    keep_private: bool,
    notes: Collection[str] = (),
) -> StoredSource:
    """Writes the parts of a source that the channels need into the folder of the payload. The source is only read.

    notes: the texts of those annotations that may stay. Raises OSError, or ProblemError where libsndfile could not
    write.
    """
    try:
        return _keep(source, channels, folder, None if keep_private else notes)
    except soundfile.SoundFileError as error:
        what = f"It could not be copied completely: {str(error).rstrip('.')}."
        raise stopping(
            source.path.name, what, "Make room on the disk, or put the stick back in; then go on."
        ) from error


def _keep(
    source: IngestSource, channels: Mapping[str, Channel], folder: Path, notes: Collection[str] | None
) -> StoredSource:
    if source.suffix:
        return _keep_file(source, channels, folder, notes)
    kept: dict[str, Channel] = {}
    done = []
    names = file_names(source, channels)
    for name, channel in channels.items():
        label = label_of(channel, source)
        track = next((track for track in source.tracks if track.label == label), None)
        beats = next((beats for beats in source.beats if beats.label == label), None)
        target = folder / names[name]
        if track:
            done.append(f"{label} of {source.path.name}: {_write_track(track, target)}.")
            kept[name] = _replaced(channel, target.name, unit=channel.unit)
        elif beats:
            done.append(f"{label} of {source.path.name}: written as intervals in seconds.")
            _write_beats(beats, target)
            kept[name] = _replaced(channel, target.name, unit="s", start_s=channel.start_s + beats.start_s)
    return StoredSource(kept, tuple(done))


def _replaced(channel: Channel, file: str, unit: str, start_s: float | None = None) -> Channel:
    start_s = channel.start_s if start_s is None else start_s
    return msgspec.structs.replace(
        channel, file=file, unit=unit, start_s=start_s, signal=None, track=None, full_scale=1.0
    )


def _keep_file(
    source: IngestSource, channels: Mapping[str, Channel], folder: Path, notes: Collection[str] | None
) -> StoredSource:
    """Keeps one file. notes: those that may stay; None where all private data may stay."""
    target = folder / next(iter(file_names(source, channels).values()))
    unkept = () if notes is None else unkept_notes(source, notes)
    cleared = notes is not None and (source.private or unkept)
    if source.strip and (cleared or source.lost):
        source.strip(target, notes)
        forget_time(target)
        _check_whole(source, target)
        names = sorted({words.partition(" (")[0] for words in source.private} | ({"notes"} if unkept else set()))
        without = f", without {', '.join(names)}" if cleared else ""
        done = f"{source.path.name}: {'what survives' if source.lost else 'the same samples'}{without}."
    else:
        shutil.copyfile(source.path, target)
        done = f"{source.path.name}: kept byte for byte."
    kept = {}
    for name, channel in channels.items():
        number, track = next(
            (number, track) for number, track in enumerate(source.tracks, 1) if track.label == label_of(channel, source)
        )
        kept[name] = msgspec.structs.replace(
            channel, file=target.name, signal=track.signal, track=None if track.signal else number
        )
    return StoredSource(kept, (done,))


def unkept_notes(source: IngestSource, notes: Collection[str]) -> tuple[str, ...]:
    """The texts of the annotations of a source that do not stay, each once."""
    return tuple(dict.fromkeys(mark.text for mark in source.marks if mark.text not in notes))


def _check_whole(source: IngestSource, target: Path) -> None:
    """Checks the size of a file: libsndfile does not always report a full disk."""
    length = source.tracks[0].stream.length
    kept = open_channel(target, Channel(kind=ChannelKind.AUDIO, file=target.name, track=1)).length
    if kept != length:
        what = f"Only {kept} of its {length} samples could be copied."
        raise stopping(source.path.name, what, "Make room on the disk, then go on.")


def _write_track(track: Track, target: Path) -> str:
    """Writes a track as a 64-bit WAV file, and says how. A gap stays a gap if the rate is a whole number."""
    stream, words = track.stream, "written as 64-bit floating point"
    if stream.rate_hz.denominator != 1:
        stream = resampled(Bridged(stream), math.ceil(stream.rate_hz))
        words += f", resampled from {float(track.stream.rate_hz):.6g} to {stream.rate_hz} Hz, gaps bridged"
    large = stream.length * 8 > _LARGEST_WAV_BYTES
    settings = {"samplerate": int(stream.rate_hz), "channels": 1, "subtype": "DOUBLE"}
    with soundfile.SoundFile(target, "w", format="RF64" if large else "WAV", **settings) as file:
        for start in range(0, stream.length, _BLOCK_SAMPLES):
            file.write(stream.read(start, min(start + _BLOCK_SAMPLES, stream.length)))
    forget_time(target)
    return words


def forget_time(file: Path) -> None:
    """Removes the time of writing, which libsndfile puts into the PEAK chunk of floating-point WAV files."""
    with file.open("r+b") as opened:
        head = opened.read(_HEAD_BYTES)
        place = head.find(b"PEAK")
        if head.startswith((b"RIFF", b"RF64")) and place >= 0:
            opened.seek(place + 12)  # after name, size and version of the chunk
            opened.write(bytes(4))


def _write_beats(track: BeatTrack, target: Path) -> None:
    intervals = track.beats.intervals_s[1:]
    target.write_text("".join(f"{interval:.6f}\n" for interval in intervals), encoding="utf-8")
