"""Checkpoints, from which a performance can continue at once; made with its level profile, kept in the cache.

Each is a file that begins with a digest, so that an incomplete one is noticed and ignored. They are written without
waiting for the disk: if an interruption damages one, the place is reached from an earlier one.
"""

from __future__ import annotations

import hashlib
import logging
import pickle
from pathlib import Path

from residue.archive.beside import PREFIX
from residue.mapping.checkpoint import Given, dump, load
from residue.mapping.playback import Playback
from residue.mapping.signals import frame_at

logger = logging.getLogger(__name__)

EVERY_S = 60.0
"""A minute takes 1 to 4 s to compute on the computers that we measured, and 16 MB in our larger demo."""
_EVERY_FRAMES = frame_at(EVERY_S)
_DIGEST_BYTES = hashlib.sha256().digest_size
_SUFFIX = ".checkpoint"


class Checkpoints:
    """The checkpoints of one performance, by frame.

    given: the objects that a checkpoint does not contain (residue.mapping.checkpoint).
    """

    def __init__(self, folder: Path, given: Given) -> None:
        self._folder = folder
        self._given = given
        self._next_frame = _EVERY_FRAMES

    def pass_by(self, playback: Playback) -> None:
        """Keeps a checkpoint if a minute has passed since the last; one that cannot be written is skipped."""
        if not self._next_frame <= playback.position < playback.end:
            return
        self._next_frame = (playback.position // _EVERY_FRAMES + 1) * _EVERY_FRAMES
        path = self._folder / f"{playback.position:015d}{_SUFFIX}"
        try:
            state = dump(playback, self._given)
            beside = path.with_name(PREFIX + path.name)
            beside.write_bytes(hashlib.sha256(state).digest() + state)
            beside.replace(path)
        except (OSError, pickle.PicklingError, TypeError, AttributeError) as error:
            logger.warning("No checkpoint at frame %d: %s", playback.position, error)

    def last_before(self, frame: int) -> Playback | None:
        """The playback at the last checkpoint up to a frame; None where there is none after the beginning."""
        for path in sorted(self._folder.glob(f"*{_SUFFIX}"), reverse=True):
            if int(path.stem) <= frame and (playback := self._read(path)) is not None:
                return playback
        return None

    def _read(self, path: Path) -> Playback | None:
        try:
            content = path.read_bytes()
            state = content[_DIGEST_BYTES:]
            if hashlib.sha256(state).digest() != content[:_DIGEST_BYTES]:
                raise ValueError("its digest does not fit")
            playback: Playback = load(state, self._given)
        except Exception as error:  # noqa: BLE001 (after any error, there is another way to the place)
            logger.warning("The checkpoint %s cannot be used: %s", path, error)
            return None
        return playback
