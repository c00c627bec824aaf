"""The gallery version of a performance, rendered faster than real time."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import soundfile
from numpy.typing import NDArray

from residue.archive.beside import asked_for
from residue.archive.prepared import PreparedPerformance
from residue.dsp.exact import gain_from_db
from residue.installation.load import Installation
from residue.loudness.plan.plan import Lowering
from residue.loudness.stage.stage import CapStage
from residue.mapping.playback import Playback
from residue.mapping.signals import AUDIO_RATE_HZ, seconds
from residue.problems import stopping
from residue.progress import Progress, silent
from residue.runtime.planning.preparation import caps, checkpoints_of, playback_of, sounding_outputs, steps


@dataclass(frozen=True, slots=True)
class Excerpt:
    """The wanted part of a performance, in frames; stop is None for its end."""

    start: int = 0
    stop: int | None = None

    def check(self, performance: PreparedPerformance) -> None:
        """Raises ProblemError where the performance has ended before it begins."""
        if self.start >= performance.frames:
            what = f"The performance ends after {seconds(performance.frames):.1f} s."
            raise stopping(f"--from-s {seconds(self.start):g}", what, "Begin before that.")


def rendered(
    installation: Installation,
    performance: PreparedPerformance,
    block_frames: int,
    gain_db: float | None,
    lowering: Lowering | None = None,
) -> Iterator[NDArray[np.float64]]:
    """Blocks of (outputs, frames) from the beginning to the end, without the latency of the cap.

    gain_db, lowering: those of the plan; without a gain it is rendered before the cap.
    """
    return _to_the_end(installation, playback_of(installation, performance, lowering), block_frames, gain_db)


def _to_the_end(
    installation: Installation, playback: Playback, block_frames: int, gain_db: float | None
) -> Iterator[NDArray[np.float64]]:
    position = playback.position
    for block in _sent(installation, playback, block_frames, gain_db):
        # The last block extends beyond the end, by an amount that depends on its length.
        yield block[:, : max(0, playback.end - position)]
        position += block.shape[1]


def _sent(
    installation: Installation, playback: Playback, block_frames: int, gain_db: float | None
) -> Iterator[NDArray[np.float64]]:
    if gain_db is None:
        yield from (played.outputs for played in steps(playback, block_frames))
        return
    gain = gain_from_db(gain_db)
    stage = CapStage(sounding_outputs(installation), caps(installation), metered=False)
    late = stage.latency_frames
    for played in steps(playback, block_frames):
        capped = stage.process(played.outputs * gain).frames
        skipped = min(late, capped.shape[1])
        late -= skipped
        yield capped[:, skipped:]
    yield stage.process(np.zeros((len(installation.piece.outputs), stage.latency_frames))).frames


def rendered_part(
    installation: Installation,
    performance: PreparedPerformance,
    *,
    block_frames: int,
    excerpt: Excerpt,
    gain_db: float | None,
    lowering: Lowering | None = None,
    cache: Path | None = None,
    progress: Progress = silent,
) -> Iterator[NDArray[np.float64]]:
    """The wanted part of a performance, in blocks of (outputs, frames). Raises ProblemError.

    cache: where checkpoints may be. They save the way to a part before the cap; what the cap stage gives depends on
    all that it was given before.
    """
    playback = playback_of(installation, performance, lowering)
    if cache is not None and gain_db is None:
        checkpoints_of(installation, performance, cache).advance(playback, excerpt.start)
    position = playback.position
    for block in _to_the_end(installation, playback, block_frames, gain_db):
        first, last = max(excerpt.start - position, 0), block.shape[1]
        if excerpt.stop is not None:
            last = min(last, excerpt.stop - position)
        if first < last:
            yield block[:, first:last]
        position += block.shape[1]
        wanted = performance.frames if excerpt.stop is None else min(excerpt.stop, performance.frames)
        progress("render", min(position, wanted), wanted)
        if excerpt.stop is not None and position >= excerpt.stop:
            return


def written(blocks: Iterable[NDArray[np.float64]], out: Path, outputs: int) -> Iterator[NDArray[np.float64]]:
    """The blocks again, each written into a 32-bit float WAV (RF64 where it grows beyond 4 GB) before it is passed on.

    The outputs of the piece are the channels of the file, in the order of the piece. Raises ProblemError.
    """
    try:
        with (
            asked_for(out) as making,
            soundfile.SoundFile(making, "w", AUDIO_RATE_HZ, outputs, subtype="FLOAT", format="RF64") as file,
        ):
            for block in blocks:
                file.write(block.T)
                yield block
    except soundfile.LibsndfileError as error:
        what = f"It cannot be written: {error.error_string}"
        raise stopping(str(out), what, "Check that the disk has room.") from error
