"""What survives of a sound file whose recording or copy was cut: as much as can be decoded from its beginning.

Of FLAC, whose frames say where they belong, also what comes after a damaged place.
"""

from __future__ import annotations

import io
import tempfile
import weakref
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import suppress
from pathlib import Path
from typing import BinaryIO

import numpy as np
import soundfile

from residue.archive.beside import telling
from residue.archive.performance import LONGEST_S
from residue.archive.readers.sound import SoundBlocks, SoundInOrder, shortfall, why
from residue.problems import stopping

_STEPS_FRAMES = (4096, 1)
"""At most as many frames as the last step are lost before the first that cannot be decoded."""
_PROBE_FRAMES = 1024
"""After a damaged place the next sound is looked for in steps of this, and in larger ones the longer the place is."""
_LONGER = 8
_MOST_PIECES = 1000
_MOST_TOLD = 5
_COPY_FRAMES = 1 << 16
_MOST_CHUNKS = 1000
_LEAST_BEHIND_BYTES = 4096
"""Less than this behind the data of a WAV file is waste, not sound."""
_LARGEST_SIZE = 0xFFFF_FFFF


def open_survivor(path: Path, scratch: Path) -> tuple[SoundBlocks, str]:
    """The frames that can be read from the beginning on, and the loss in words, empty where there is none.

    Of FLAC, silence takes the place of what is damaged in the middle. scratch: a folder for temporary data. Raises
    ProblemError where nothing survives, OSError.
    """
    mend = _mended_sizes(path)
    try:
        decoded = _decoded(path, mend)
        frames = _within_reach(path, mend, decoded)
        file = _opened(path, mend)  # once more: it cannot go back from the damage
    except soundfile.LibsndfileError as error:
        raise stopping(path.name, f"None of it can be read: {why(error)}.", "Find another copy.") from error
    promised = 0 if mend else _promised(file)
    if frames < promised and file.format == "FLAC":
        pieces = [*([(0, decoded)] if decoded else []), *_later_pieces(path, decoded, promised)]
        if pieces and pieces[-1][1] > decoded:
            return _with_silence(path, pieces, scratch), _holes_in_words(pieces, promised, file.samplerate)
    if not frames:
        raise stopping(path.name, "None of its sound survives.", "Leave the channel out, or find another copy.")
    survives = f"{frames / file.samplerate:.1f} s of sound survive"
    if frames == promised:
        return SoundBlocks(file, path.name), ""
    if promised:
        lost = f"cut short or damaged: {survives} of the {promised / file.samplerate:.1f} s that its header promises"
    else:
        lost = f"not closed by its recorder: {survives}, and its header does not say how much there was"
    return SoundBlocks(file, path.name, frames), lost


def _opened(
    path: Path, mend: Mapping[int, bytes], opening: Callable[[object], soundfile.SoundFile] = soundfile.SoundFile
) -> soundfile.SoundFile:
    if not mend:
        return opening(path)
    raw = _Mended(path, mend)
    try:
        file = opening(raw)
    except soundfile.LibsndfileError:
        raw.close()
        raise
    weakref.finalize(file, raw.close)
    return file


def _promised(file: soundfile.SoundFile) -> int:
    """The frames that the header promises, 0 where it promises none."""
    short = shortfall(file)
    frames = file.frames if short is None else round(file.frames * short[0] / max(short[1], 1))
    return frames if frames <= LONGEST_S * file.samplerate else 0


def _decoded(path: Path, mend: Mapping[int, bytes]) -> int:
    """The frames that can be decoded one after the other; in smaller steps before the first that cannot."""
    known = 0
    for step in _STEPS_FRAMES:
        file, frames = _opened(path, mend, SoundInOrder), 0
        with suppress(soundfile.LibsndfileError):  # from there on it is damaged
            while count := len(file.read(_STEPS_FRAMES[0] if frames < known else step, dtype="float32")):
                frames += count
        known = frames
    return known


def _later_pieces(path: Path, frame: int, promised: int) -> Iterator[tuple[int, int]]:
    """The stretches that can be decoded after a frame that cannot: the library finds the frame of FLAC for a place."""
    for _ in range(_MOST_PIECES):
        start = _next_readable(path, frame, promised)
        if start is None:
            return
        frame = _readable_to(path, start)
        yield start, frame


def _next_readable(path: Path, frame: int, promised: int) -> int | None:
    damaged, place = frame, frame + _PROBE_FRAMES
    while place < promised:
        if _readable_at(path, place):
            while damaged + 1 < place:
                middle = (damaged + place) // 2
                damaged, place = (damaged, middle) if _readable_at(path, middle) else (middle, place)
            return place
        damaged, place = place, place + max(_PROBE_FRAMES, (place - frame) // _LONGER)
    return None


def _readable_at(path: Path, frame: int) -> bool:
    """Whether a frame can be decoded; each time anew, since the library does not get over a fault."""
    try:
        with soundfile.SoundFile(path) as file:
            file.seek(frame)
            return len(file.read(1)) == 1
    except soundfile.LibsndfileError:
        return False


def _readable_to(path: Path, start: int) -> int:
    known = start
    for step in _STEPS_FRAMES:
        frame = start
        with suppress(soundfile.LibsndfileError), SoundInOrder(path) as file:
            file.seek(start)
            while count := len(file.read(_STEPS_FRAMES[0] if frame < known else step, dtype="float32")):
                frame += count
        known = frame
    return known


def _with_silence(path: Path, pieces: Sequence[tuple[int, int]], scratch: Path) -> SoundBlocks:
    """The pieces at their places, in a file without a name."""
    with telling(scratch):
        scratch.mkdir(parents=True, exist_ok=True)
        whole = tempfile.TemporaryFile(dir=scratch)  # noqa: SIM115 - open as long as it is read
        with soundfile.SoundFile(path) as file:
            form = {"samplerate": file.samplerate, "channels": file.channels, "subtype": file.subtype}
        with soundfile.SoundFile(whole, "w", format="FLAC", **form) as mended:
            for (_, before), (start, stop) in zip([(0, 0), *pieces], pieces, strict=False):
                for at in range(before, start, _COPY_FRAMES):
                    mended.write(np.zeros((min(_COPY_FRAMES, start - at), file.channels), np.int32))
                with SoundInOrder(path) as file:  # which looks at nothing behind the piece
                    file.seek(start)
                    for at in range(start, stop, _COPY_FRAMES):
                        mended.write(file.read(min(_COPY_FRAMES, stop - at), dtype="int32", always_2d=True))
    whole.seek(0)
    opened = soundfile.SoundFile(whole)
    weakref.finalize(opened, whole.close)
    return SoundBlocks(opened, path.name)


def _holes_in_words(pieces: Sequence[tuple[int, int]], promised: int, rate_hz: int) -> str:
    survives_s, holes = sum(stop - start for start, stop in pieces) / rate_hz, []
    for (_, ends), (begins, _) in zip([(0, 0), *pieces], [*pieces, (promised, promised)], strict=True):
        if begins > ends:
            holes.append(f"{(begins - ends) / rate_hz:.2f} s at {ends / rate_hz:.2f} s")
    more = f" and {len(holes) - _MOST_TOLD} more" if len(holes) > _MOST_TOLD else ""
    return (
        f"damaged: {survives_s:.1f} s of sound survive of the {promised / rate_hz:.1f} s that its header promises; "
        f"silent or missing: {', '.join(holes[:_MOST_TOLD])}{more}"
    )


def _within_reach(path: Path, mend: Mapping[int, bytes], frames: int) -> int:
    """How many of the frames can be read where the library jumps to their end after it: a few less in a cut FLAC."""
    low, high = 0, frames
    while low < high:
        middle = high if high == frames else (low + high + 1) // 2
        try:
            _opened(path, mend).seek(middle)
            low = middle
        except soundfile.LibsndfileError:
            high = middle - 1
    return low


class _Mended(io.FileIO):
    """A file that is only read, with other bytes at some places."""

    def __init__(self, path: Path, mend: Mapping[int, bytes]) -> None:
        super().__init__(path, "rb")
        self._mend = mend

    def readinto(self, buffer: object) -> int:
        """Reads into a buffer, as any file does."""
        view, start = memoryview(buffer).cast("B"), self.tell()  # type: ignore[arg-type]
        count = super().readinto(view)
        for place, new in self._mend.items():
            for offset, byte in enumerate(new, place - start):
                if 0 <= offset < count:
                    view[offset] = byte
        return count


def goes_on(path: Path) -> bool:
    """Whether sound stands behind the end that the header of a WAV file declares."""
    return bool(_mended_sizes(path))


def _mended_sizes(path: Path) -> Mapping[int, bytes]:
    """The sizes of a WAV file whose data go on after the size that its header declares; none for other files.

    Source: RIFF, "Multimedia Programming Interface and Data Specifications 1.0", chunks: a name, a size in four bytes,
    and as many bytes, padded to an even number.
    """
    size = path.stat().st_size
    with path.open("rb") as file:
        if file.read(4) != b"RIFF" or file.read(8)[4:] != b"WAVE":
            return {}
        for _ in range(_MOST_CHUNKS):
            name, length = _chunk(file)
            begins = file.tell()
            if name == b"data":
                break
            file.seek(begins + length + length % 2)
        else:
            return {}
        if size - begins - length < _LEAST_BEHIND_BYTES:
            return {}
        for ends in (begins + length, begins + length + length % 2):  # some programs forget to pad
            file.seek(ends)
            after, its_length = _chunk(file)
            if length and after.strip().replace(b"_", b"").isalnum() and its_length <= size - file.tell():
                return {}
    held = min(size - begins, _LARGEST_SIZE)
    return {4: min(size - 8, _LARGEST_SIZE).to_bytes(4, "little"), begins - 4: held.to_bytes(4, "little")}


def _chunk(file: BinaryIO) -> tuple[bytes, int]:
    """The name and the size of the next chunk; no name at the end of the file."""
    head = file.read(8)
    return (head[:4], int.from_bytes(head[4:], "little")) if len(head) == 8 else (b"", 0)
