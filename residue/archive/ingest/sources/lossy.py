"""Sound files that were coded with loss, as sources: MP3, Ogg Vorbis and Opus; AAC by the extra "m4a".

They are decoded once, in one pass, since what a decoder gives after a jump may differ in its last bits.
"""

from __future__ import annotations

from collections.abc import Iterator
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
import soundfile

from residue.archive.ingest.columns import EvenStream
from residue.archive.ingest.decoder_words import DecoderWords
from residue.archive.ingest.extras import extra, without_warnings
from residue.archive.ingest.source import IngestSource, Track
from residue.archive.ingest.stored import StoredColumn, StoredNumbers
from residue.archive.readers.sound import SoundInOrder, why
from residue.dsp.resampling import Floats
from residue.problems import ProblemError, stopping

_BLOCK_FRAMES = 1 << 14
_MOST_TRACKS = 64
_AAC = (".m4a", ".aac")
_AGAIN = "Copy it again from the recorder."
_LOSSY = "coded with loss ({}), which keeps what an ear would hear and alters the rest of what the sensor said"


def open_lossy_source(path: Path, scratch: Path, *, salvage: bool = False) -> IngestSource:
    """Decodes every track; full scale is 1. scratch: a folder for the samples. Raises ProblemError.

    salvage: take the frames before the place where it cannot be decoded on.
    """
    reading = _Aac(path) if path.suffix.lower() in _AAC else _Sound(path)
    numbers = StoredNumbers(scratch, reading.tracks)
    numbers.fill_blocks(reading.blocks())
    if not numbers.rows:
        raise stopping(path.name, f"None of its sound can be decoded: {reading.fault or 'it is empty'}.", _AGAIN)
    seconds = f"{numbers.rows / reading.rate_hz:.1f} s"
    if reading.fault and not salvage:
        how = "" if reading.damaged else f" on after {seconds}"
        raise stopping(path.name, f"It cannot be decoded{how}: {reading.fault}.", _AGAIN)
    return IngestSource(
        path,
        tuple(
            Track(f"track {track + 1}", EvenStream(StoredColumn(numbers, track), Fraction(reading.rate_hz)))
            for track in range(reading.tracks)
        ),
        lossy=_LOSSY.format(reading.coding),
        lost=f"cut short or damaged: {seconds} of sound survive" if reading.fault else "",
    )


class _Sound:
    """What libsndfile decodes."""

    def __init__(self, path: Path) -> None:
        self._words = DecoderWords()
        try:
            with self._words.kept():
                self._file = SoundInOrder(path)
        except soundfile.LibsndfileError as error:
            raise stopping(path.name, f"It is not a sound file that can be read: {why(error)}.", _AGAIN) from error
        self.tracks, self.rate_hz = self._file.channels, self._file.samplerate
        self.coding = f"{self._file.format}, {self._file.subtype}"
        self.fault = ""
        self.damaged = False
        """Whether a part of it is damaged, and what comes after it could be decoded."""

    def blocks(self) -> Iterator[Floats]:
        """(frames, tracks): the sound in order; ends at a fault."""
        frames, promised = 0, self._file.frames
        try:
            while len(block := self._read()):
                if not self.damaged and self._words.of_damage:
                    self.damaged = True
                    self.fault = f"a part of it is damaged, from about {frames / self.rate_hz:.0f} s on"
                frames += len(block)
                yield block
        except soundfile.LibsndfileError as error:
            self.fault = self.fault or ("it is damaged there" if self._words.of_damage else why(error))
        if frames < promised:
            self.fault = self.fault or f"its header promises {promised / self.rate_hz:.1f} s"

    def _read(self) -> Floats:
        with self._words.kept():
            block: Floats = self._file.read(_BLOCK_FRAMES, always_2d=True)
        return block


class _Aac:
    """What the codecs of ffmpeg decode, through PyAV."""

    coding = "AAC"
    damaged = False

    def __init__(self, path: Path) -> None:
        self._path, self._av = path, extra("m4a", path)
        try:
            with without_warnings(), self._av.open(str(path)) as container:
                stream = container.streams.audio[0]
                if stream.codec_context is None:
                    raise ValueError("nothing here decodes its sound")
                self.tracks, self.rate_hz = int(stream.channels), int(stream.rate)
                told = stream.duration and path.suffix.lower() != ".aac"  # without a container it is an estimate
                self._promised_s = float(stream.duration * stream.time_base) if told else 0.0
        except (self._av.FFmpegError, IndexError, ValueError, TypeError, UnicodeError) as error:
            reason = str(error).splitlines()[0][:120] if str(error) else "it holds no sound"
            raise stopping(path.name, f"It is not a sound file that can be read: {reason}.", _AGAIN) from error
        if not (1 <= self.tracks <= _MOST_TRACKS and self.rate_hz > 0):
            raise stopping(path.name, f"It declares {self.tracks} tracks at {self.rate_hz} Hz.", _AGAIN)
        self.fault = ""

    def blocks(self) -> Iterator[Floats]:
        """(frames, tracks): the sound in order; ends at a fault."""
        frames = 0
        try:
            with self._av.open(str(self._path)) as container:
                for frame in container.decode(container.streams.audio[0]):
                    block = self._planar(frame)
                    frames += len(block)
                    yield block
        except ProblemError:
            raise
        except (self._av.FFmpegError, ValueError) as error:
            self.fault = str(error).splitlines()[0][:120] if str(error) else "the decoder stopped"
        if not self.fault and frames < 0.99 * self._promised_s * self.rate_hz:
            self.fault = f"its header promises {self._promised_s:.1f} s"

    def _planar(self, frame: Any) -> Floats:
        if frame.sample_rate != self.rate_hz or frame.layout.nb_channels != self.tracks:
            raise stopping(self._path.name, "Its rate or its number of tracks changes on the way.", _AGAIN)
        found = frame.to_ndarray()
        block = found.T if frame.format.is_planar else found.reshape(-1, self.tracks)
        whole = np.iinfo(block.dtype).max + 1.0 if block.dtype.kind == "i" else 1.0
        return np.asarray(block, np.float64) / whole
