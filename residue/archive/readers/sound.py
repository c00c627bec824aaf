"""Sound files, as libsndfile reads them: WAV, RF64, FLAC, AIFF."""

from __future__ import annotations

import re
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
import soundfile
from numpy.typing import NDArray

from residue.archive.beside import disk_problem
from residue.archive.performance import LONGEST_S, Channel
from residue.dsp.resampling import Floats, SampleStream
from residue.problems import stopping

_BLOCK_FRAMES = 1 << 16
_HELD_BLOCKS = 2
"""A resampling filter reads some samples again, which may be in the block before."""
_NOTES = (
    re.compile(r"^\s*(?:data|SSND)\s*: (?P<promised>\d+) \(should be (?P<held>\d+)\)", re.MULTILINE),
    re.compile(r"Calculated frame count (?P<held>\d+) does not match value from 'ds64' chunk of (?P<promised>\d+)"),
)
"""The words of libsndfile's log if the header of a WAV, AIFF or RF64 file does not fit the size of the file."""
_FITS_FLOAT32 = frozenset({"PCM_S8", "PCM_U8", "PCM_16", "PCM_24", "FLOAT"})
"""Formats whose samples a float32 can hold exactly: half the memory."""
_UNKNOWN_SIZES = frozenset({0x7FFF_FFFF, 0xFFFF_FFFF})
"""Sizes that a recorder writes while it does not know how long it will record."""
_AGAIN = "Copy it again from the recorder."


class SoundInOrder(soundfile.SoundFile):  # type: ignore[misc]
    """A sound file read in order: the library jumps after each read, which is slow, and not exact in MP3."""

    def seekable(self) -> bool:
        """Never."""
        return False


class SoundBlocks:
    """A sound file read block by block; it keeps the last two, so that tracks and overlapping reads share them."""

    def __init__(self, file: soundfile.SoundFile, where: str, frames: int | None = None) -> None:
        """frames: those that can be read, if these are fewer than the file declares."""
        self.file, self._where = file, where
        self.frames: int = file.frames if frames is None else frames
        self.mend = _AGAIN
        """What to do where it cannot be read on: damage within a compressed file shows only then."""
        self._held: dict[int, NDArray[np.floating[Any]]] = {}
        """The blocks, (tracks, frames), by their first frame; the older one first."""
        self._dtype = "float32" if file.subtype in _FITS_FLOAT32 else "float64"

    def part(self, track: int, *, start: int, stop: int) -> NDArray[np.floating[Any]]:
        """Samples of a track (from 0 on) from `start` to `stop`, or to the end of the block that `start` is in."""
        begins = start // _BLOCK_FRAMES * _BLOCK_FRAMES
        if begins not in self._held:
            if len(self._held) == _HELD_BLOCKS:
                del self._held[next(iter(self._held))]
            self._held[begins] = self._block(begins)
        return self._held[begins][track, start - begins : stop - begins]

    def check_end(self) -> None:
        """Raises ProblemError where the last frame cannot be read: a compressed file does not tell it before."""
        self.part(0, start=self.frames - 1, stop=self.frames)

    def _block(self, start: int) -> NDArray[np.floating[Any]]:
        """(tracks, frames) from a frame on; raises ProblemError where the file is shorter than stated in its header."""
        wanted = min(_BLOCK_FRAMES, self.frames - start)
        try:
            if self.file.tell() != start:
                self.file.seek(start)
            block = self.file.read(wanted, dtype=self._dtype, always_2d=True)
        except soundfile.LibsndfileError as error:
            what = f"It cannot be read on from frame {start}: {why(error)}."
            raise stopping(self._where, what, self.mend) from error
        if len(block) < wanted:
            what = f"It ends after {start + len(block)} of the {self.frames} frames that its header promises."
            raise stopping(self._where, what, self.mend)
        return np.ascontiguousarray(block.T)


class SoundTrack:
    """One track of a sound file, scaled to physical values."""

    def __init__(self, blocks: SoundBlocks, track: int, full_scale: float) -> None:
        self._blocks, self._track, self._scale = blocks, track, np.float64(full_scale)
        self.rate_hz = Fraction(blocks.file.samplerate)
        self.length = blocks.frames

    def read(self, start: int, stop: int) -> Floats:
        """Samples start, …, stop - 1."""
        parts = []
        while start < stop:
            parts.append(self._blocks.part(self._track - 1, start=start, stop=stop) * self._scale)
            start += len(parts[-1])
        return parts[0] if len(parts) == 1 else np.concatenate(parts) if parts else np.empty(0)


def open_blocks(path: Path) -> SoundBlocks:
    """Opens a sound file, and checks that it is complete. Raises ProblemError."""
    try:
        path.open("rb").close()  # libsndfile does not say why it cannot open a file
        file = soundfile.SoundFile(path)
    except OSError as error:
        raise disk_problem(path, error) from error
    except soundfile.LibsndfileError as error:
        raise stopping(path.name, f"It is not a sound file that can be read: {why(error)}.", _AGAIN) from error
    if file.frames == 0 or file.samplerate == 0:
        raise stopping(path.name, "It holds no samples.", "Leave the channel out, or find the right file.")
    if file.frames > LONGEST_S * file.samplerate:
        raise stopping(path.name, "Its header does not say how long it is.", _AGAIN)
    short = shortfall(file)
    if short is not None:
        promised, held = short
        what = f"It is cut short: {held / promised:.0%} of the sound that its header promises is there."
        raise stopping(path.name, what, _AGAIN)
    return SoundBlocks(file, path.name)


def shortfall(file: soundfile.SoundFile) -> tuple[int, int] | None:
    """How much the header promises and how much the file holds, where that is less; None where it is not."""
    for note in filter(None, (pattern.search(file.extra_info) for pattern in _NOTES)):
        promised, held = int(note["promised"]), int(note["held"])
        if held < promised and promised not in _UNKNOWN_SIZES:
            return promised, held
    return None


def why(error: soundfile.LibsndfileError) -> str:
    """The message of libsndfile without the path, which our message names already."""
    return str(error.error_string).removeprefix("Error : ").rstrip(".")


def open_sound(path: Path, channel: Channel) -> SampleStream:
    """Opens a track of a sound file in physical values. Raises ProblemError."""
    blocks = open_blocks(path)
    track = channel.track or 1
    if track > blocks.file.channels:
        raise stopping(path.name, f"It has no track {track}.", f"Write a track from 1 to {blocks.file.channels}.")
    return SoundTrack(blocks, track, channel.full_scale)
