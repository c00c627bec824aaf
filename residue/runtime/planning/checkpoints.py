"""Checkpoints, from which a performance can continue at once; made with its level profile, kept in the cache.

The state of each node is a file of its own, in a folder that is named by the lineage of the node: so a piece that is
edited finds again the states of all nodes that the edit does not reach. Each file begins with a digest, so that an
incomplete one is noticed and ignored. They are written without waiting for the disk: if an interruption damages one,
the place is reached from an earlier one.
"""

from __future__ import annotations

import hashlib
import logging
from collections.abc import Iterator, Mapping
from pathlib import Path

from residue.archive.beside import PREFIX
from residue.mapping.checkpoint import Given, dump_nodes, load_nodes
from residue.mapping.form import FORM
from residue.mapping.lineage import Lineages
from residue.mapping.playback import Playback
from residue.mapping.signals import frame_at
from residue.small_files import read_whole

logger = logging.getLogger(__name__)

EVERY_S = 60.0
"""A minute takes 1 to 4 s to compute on the computers that we measured, and 16 MB in our larger demo."""
EVERY_FRAMES = frame_at(EVERY_S)
_DIGEST_BYTES = hashlib.sha256().digest_size
_SUFFIX = ".checkpoint"


class Checkpoints:
    """The checkpoints of one performance, by frame.

    folder: where there is a folder for each node. base: a digest of all that they follow from beside the piece.
    given: the objects that a checkpoint does not contain (residue.mapping.checkpoint).
    """

    def __init__(self, folder: Path, base: str, lineages: Lineages, given: Given) -> None:
        self._folder = folder
        self._base = base
        self.lineages = lineages
        self.given = given
        self._next_frame = EVERY_FRAMES

    @property
    def folders(self) -> set[Path]:
        """The folders of all nodes."""
        return {self._of(key) for keys in self.lineages for key in keys.values()}

    @property
    def begun(self) -> bool:
        """Whether they have been made, as far as that was possible, and nobody has removed them since."""
        return all(folder.exists() for folder in self.folders)

    def begin(self) -> None:
        """Makes the folders. Raises OSError."""
        for folder in self.folders:
            folder.mkdir(parents=True, exist_ok=True)

    def pass_by(self, playback: Playback) -> None:
        """Keeps a checkpoint if a minute has passed since the last; one that cannot be written is skipped."""
        if not self._next_frame <= playback.position < playback.end:
            return
        self._next_frame = (playback.position // EVERY_FRAMES + 1) * EVERY_FRAMES
        state = playback.state()
        number = 0 if state.form is None else state.form.number
        self.keep(playback.position, number, dump_nodes(state, self.given))

    def keep(self, frame: int, section: int, states: Mapping[str, bytes]) -> None:
        """Keeps the states of some nodes at a frame at which so many sections have begun; those that are there stay."""
        for name, state in states.items():
            path = self._path(self.lineages[section][name], frame)
            try:
                if not path.exists():
                    path.parent.mkdir(parents=True, exist_ok=True)
                    beside = path.with_name(PREFIX + path.name)
                    beside.write_bytes(hashlib.sha256(state).digest() + state)
                    beside.replace(path)
            except OSError as error:
                logger.warning("No checkpoint at frame %d: %s", frame, error)
                return

    def frames(self, latest: int) -> Iterator[tuple[int, int]]:
        """The frames at which the form is known, up to a frame, the latest first, each with the number of sections."""
        found = {
            int(path.stem): section
            for section, keys in enumerate(self.lineages)
            for path in self._of(keys[FORM]).glob(f"[0-9]*{_SUFFIX}")  # not those that are still being made
        }
        return ((frame, found[frame]) for frame in sorted(found, reverse=True) if frame <= latest)

    def known(self, frame: int) -> tuple[int | None, set[str]]:
        """The number of sections that have begun at a frame, if that is known, and the nodes whose states are kept."""
        begun = (n for n, keys in enumerate(self.lineages) if self._path(keys[FORM], frame).exists())
        section = next(begun, None)
        keys = self.lineages[section or 0]
        return section, {name for name, key in keys.items() if self._path(key, frame).exists()}

    def whole(self, frame: int) -> bool:
        """Whether the states of all nodes are kept at a frame."""
        section, names = self.known(frame)
        return section is not None and names == self.lineages[section].keys()

    def kept(self, frame: int, section: int) -> dict[str, bytes]:
        """The states of those nodes that are known at a frame; of none if one of them is spoilt."""
        states = {}
        for name, key in self.lineages[section].items():
            path = self._path(key, frame)
            try:
                content = read_whole(path)
            except FileNotFoundError:
                continue
            except OSError as error:
                logger.warning("The checkpoint %s cannot be read: %s", path, error.strerror)
                continue
            state = content[_DIGEST_BYTES:]
            if hashlib.sha256(state).digest() != content[:_DIGEST_BYTES]:
                logger.warning("The checkpoint %s cannot be used: its digest does not fit", path)
                continue
            states[name] = state
        return states

    def of_all(self, folder: Path, more: str) -> Checkpoints:
        """The checkpoints of something that follows from all nodes, and from `more`: one state for each frame."""
        lineages = [{FORM: hashlib.sha256(repr(sorted(keys.items())).encode()).hexdigest()} for keys in self.lineages]
        return Checkpoints(folder, f"{self._base} {more}", lineages, {})

    def keep_whole(self, playback: Playback, state: bytes) -> None:
        """Keeps the one state of all at the place of a playback."""
        form = playback.state().form
        self.keep(playback.position, 0 if form is None else form.number, {FORM: state})

    def unbroken_to(self) -> int:
        """The last whole minute up to which no minute is missing; 0 if the first is."""
        frame = 0
        while self.whole(frame + EVERY_FRAMES):
            frame += EVERY_FRAMES
        return frame

    def every(self, frame: int) -> Iterator[bytes]:
        """The one state of all at each minute up to a frame. Raises KeyError where one is spoilt."""
        for at in range(EVERY_FRAMES, frame + 1, EVERY_FRAMES):
            section, _ = self.known(at)
            yield self.kept(at, section or 0)[FORM]

    def advance(self, playback: Playback, frame: int) -> bool:
        """Moves a playback that is at its beginning to the last whole checkpoint up to a frame, if there is one."""
        for at, section in self.frames(frame):
            states = self.kept(at, section)
            if states.keys() < self.lineages[section].keys():
                continue
            try:
                playback.take(load_nodes(at, states, self.given))
            except Exception as error:  # noqa: BLE001 (after any error, there is another way to the place)
                logger.warning("The checkpoint at frame %d cannot be used: %s", at, error)
                continue
            self._next_frame = (at // EVERY_FRAMES + 1) * EVERY_FRAMES
            return True
        return False

    def _path(self, lineage: str, frame: int) -> Path:
        return self._of(lineage) / f"{frame:015d}{_SUFFIX}"

    def _of(self, lineage: str) -> Path:
        return self._folder / hashlib.sha256(f"{self._base} {lineage}".encode()).hexdigest()
