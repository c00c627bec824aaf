"""A playback that leaves marks on its way, from which an edited piece goes on."""

from __future__ import annotations

from collections import deque
from collections.abc import Collection
from queue import SimpleQueue

from residue.mapping.checkpoint import dump_nodes
from residue.mapping.playback import Playback, Played
from residue.mapping.signals import frame_at
from residue.runtime.listening.opening import WARM_S, Version, Waymark
from residue.runtime.planning.checkpoints import EVERY_FRAMES

MARK_S = 10.0
_MARK_FRAMES = frame_at(MARK_S)
_MARKS = round(WARM_S / MARK_S) + 2
"""The oldest is always as old as a new node needs; all of them take 80 MB in our larger demo."""
_SKIP_FRAMES = 48_000


class Trail:
    """One version on its way through a performance.

    minutes: the marks at whole minutes, for the disk.
    """

    def __init__(self, version: Version, playback: Playback) -> None:
        self.version = version
        self._playback = playback
        self._marks: deque[Waymark] = deque(maxlen=_MARKS)
        self.minutes: SimpleQueue[tuple[int, int, dict[str, bytes]]] = SimpleQueue()
        self._mark()

    @property
    def position(self) -> int:
        """The first frame of the next step."""
        return self._playback.position

    @property
    def remembers_all(self) -> bool:
        """Whether every node has the memory of the whole performance."""
        return not any(self._playback.since.values())

    @property
    def marks(self) -> Collection[Waymark]:
        """The marks of the last WARM_S, and a little longer."""
        return list(self._marks)

    def step(self, frames: int) -> Played:
        """The next frames."""
        played = self._playback.step(frames)
        if self.position % _MARK_FRAMES == 0 and not played.ended:
            self._mark()
        return played

    def skip_to(self, frame: int) -> None:
        """Goes silently to a later frame."""
        while self.position < frame:
            self.step(min(_SKIP_FRAMES - self.position % _SKIP_FRAMES, frame - self.position))

    def _mark(self) -> None:
        if not self.position:
            return
        state, kept = self._playback.state(), self.version.kept
        section = 0 if state.form is None else state.form.number
        states, keys = dump_nodes(state, kept.given), kept.lineages[section]
        since = {keys[name]: frame for name, frame in state.since.items()}
        self._marks.append(Waymark(self.position, {keys[name]: one for name, one in states.items()}, since))
        if self.position % EVERY_FRAMES == 0:
            whole = {name: one for name, one in states.items() if not state.since.get(name)}
            self.minutes.put((self.position, section, whole))
