"""The gallery version of a performance, rendered faster than real time."""

from __future__ import annotations

import logging
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path

import msgspec
import numpy as np
import soundfile
from numpy.typing import NDArray

from residue.archive.beside import asked_for
from residue.archive.prepared import PreparedPerformance
from residue.dsp.exact import gain_from_db
from residue.installation.load import Installation
from residue.loudness.plan.plan import Lowering
from residue.loudness.stage.stage import CapStage
from residue.mapping.checkpoint import dump, load
from residue.mapping.form import FORM
from residue.mapping.playback import Playback
from residue.mapping.replay import Replay
from residue.mapping.signals import AUDIO_RATE_HZ, frame_at, seconds
from residue.problems import stopping
from residue.progress import Progress, silent
from residue.runtime.planning.checkpoints import EVERY_FRAMES, Checkpoints
from residue.runtime.planning.preparation import (
    CHECKPOINTS,
    caps,
    checkpoints_of,
    lowered,
    playback_of,
    room_digest,
    sounding_outputs,
    steps,
)

logger = logging.getLogger(__name__)

_SETTLED_S = 30.0
"""After so long nothing is left of where the cap stage began, as far as only filters act, but rounding (-220 dB):
the slowest that a room can have, a high-pass of fourth order at 1 Hz, has fallen by e^-72. A first rise takes less.
"""
_SETTLED_FRAMES = frame_at(_SETTLED_S)


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
    rendering = _Rendering(installation, playback_of(installation, performance, lowering), gain_db)
    return (block for _, block in rendering.blocks(block_frames))


class _Rendering:
    """A playback through the cap stage, or before it if it has no gain.

    marks: where the states of the cap stage are kept on the way, minute by minute.
    """

    def __init__(
        self,
        installation: Installation,
        playback: Playback | Replay,
        gain_db: float | None,
        marks: Checkpoints | None = None,
    ) -> None:
        self.playback, self._marks = playback, marks
        self._gain = 1.0 if gain_db is None else gain_from_db(gain_db)
        self._stage: CapStage | None = None
        if gain_db is not None:
            self._stage = CapStage(sounding_outputs(installation), caps(installation), metered=False)
        self._late = 0 if self._stage is None else self._stage.latency_frames

    def go_on_from(self, playback: Playback, kept: Checkpoints, latest: int, *, planned: bool) -> bool:
        """Moves its playback to the last place up to a frame at which all is known; False if it cannot be used then.

        planned: whether the cap stage has nothing to do; then it may begin later than the playback.
        """
        if self._stage is None or self._marks is None:
            kept.advance(playback, latest)
            return True
        settling = latest - _SETTLED_FRAMES if planned else 0
        for at, section in self._marks.frames(latest):
            if at <= settling - EVERY_FRAMES:
                break
            if kept.whole(at) and (states := self._marks.kept(at, section)):
                try:
                    stage = load(states[FORM], {})
                except Exception as error:  # noqa: BLE001 (after any error, there is another way to the place)
                    logger.warning("The cap stage at frame %d cannot be used: %s", at, error)
                    continue
                if kept.advance(playback, at) and playback.position == at:
                    self._stage = stage
                    return True
                return not playback.position
        if settling > 0 and kept.advance(playback, settling):
            self._marks = None  # this stage knows only what is sent from here on
        return True

    def blocks(self, block_frames: int) -> Iterator[tuple[int, NDArray[np.float64]]]:
        """Blocks of (outputs, frames) to the end, each with the frame of the performance at which it begins."""
        position = self.playback.position - (self._late if self.playback.position else 0)
        for block in self._sent(block_frames, skipped=0 if position else self._late):
            # The last block extends beyond the end, by an amount that depends on its length.
            yield position, block[:, : max(0, self.playback.end - position)]
            position += block.shape[1]

    def _sent(self, block_frames: int, skipped: int) -> Iterator[NDArray[np.float64]]:
        stage = self._stage
        if stage is None:
            yield from (played.outputs for played in steps(self.playback, block_frames))
            return
        outputs = 0
        for played in steps(self.playback, block_frames):
            outputs = len(played.outputs)
            capped = stage.process(played.outputs * self._gain).frames
            self._keep(stage)
            now = min(skipped, capped.shape[1])
            skipped -= now
            yield capped[:, now:]
        yield stage.process(np.zeros((outputs, stage.latency_frames))).frames

    def _keep(self, stage: CapStage) -> None:
        at = self.playback.position
        if self._marks is None or not isinstance(self.playback, Playback):
            return
        if at % EVERY_FRAMES == 0 and at < self.playback.end and not self._marks.whole(at):
            self._marks.keep_whole(self.playback, dump(stage, {}))


def rendered_part(
    installation: Installation,
    performance: PreparedPerformance,
    *,
    block_frames: int,
    excerpt: Excerpt,
    gain_db: float | None,
    lowering: Lowering | None = None,
    planned: bool = False,
    cache: Path | None = None,
    progress: Progress = silent,
    replay: Replay | None = None,
) -> Iterator[NDArray[np.float64]]:
    """The wanted part of a performance, in blocks of (outputs, frames). Raises ProblemError.

    planned: whether gain and lowering are those of its plan. cache: where checkpoints may be. They save the way to a
    part. What the cap stage gives depends on all that it was given before: so its states are kept too, for the next
    part at this gain, or after an edit of what comes later. Under its plan it only filters: then it may begin
    _SETTLED_S before the part, with the same sound but for rounding. replay: the sound from the beginning, without cap
    and lowering, if it is known.
    """
    if replay is not None and replay.whole:
        rendering = _Rendering(installation, lowered(replay, installation, lowering), gain_db)
    else:
        rendering = _on_its_way(installation, performance, excerpt, gain_db, lowering, planned=planned, cache=cache)
    for position, block in rendering.blocks(block_frames):
        first, last = max(excerpt.start - position, 0), block.shape[1]
        if excerpt.stop is not None:
            last = min(last, excerpt.stop - position)
        if first < last:
            yield block[:, first:last]
        reached = position + block.shape[1]
        wanted = performance.frames if excerpt.stop is None else min(excerpt.stop, performance.frames)
        progress("render", min(reached, wanted), wanted)
        if excerpt.stop is not None and reached >= excerpt.stop:
            return


def _on_its_way(
    installation: Installation,
    performance: PreparedPerformance,
    excerpt: Excerpt,
    gain_db: float | None,
    lowering: Lowering | None,
    *,
    planned: bool,
    cache: Path | None,
) -> _Rendering:
    """A rendering at its beginning, or where checkpoints have brought it."""
    playback = playback_of(installation, performance, lowering)
    if cache is None:
        return _Rendering(installation, playback, gain_db)
    kept = checkpoints_of(installation, performance, cache)
    under = f"{room_digest(installation)} {gain_db!r} {msgspec.json.encode(lowering).decode()}"
    marks = None if gain_db is None else kept.of_all(cache / CHECKPOINTS, under)
    rendering = _Rendering(installation, playback, gain_db, marks)
    if rendering.go_on_from(playback, kept, excerpt.start, planned=planned):
        return rendering
    return _Rendering(installation, playback_of(installation, performance, lowering), gain_db, marks)


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
