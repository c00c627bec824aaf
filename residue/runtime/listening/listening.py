"""Plays a piece from any place while it is written: each edit that is saved is heard at the place where it is."""

from __future__ import annotations

import logging
import sys
import time
from contextlib import nullcontext, suppress
from dataclasses import dataclass
from pathlib import Path
from queue import Empty, SimpleQueue

from residue.dsp.exact import gain_from_db
from residue.durations import place_in_words
from residue.installation.drafts import draft, sketch
from residue.installation.load import PERFORMANCES, PIECE, find_performances
from residue.mapping.graph import Graph
from residue.mapping.signals import frame_at, seconds
from residue.problems import ProblemError, nearest, stopping
from residue.progress import Progress, silent
from residue.runtime.engine.engine import BLOCK_FRAMES, SWITCH_S, Engine, Turn
from residue.runtime.listening.edited import Edited, Floats
from residue.runtime.listening.headphones import SLOW_START_S
from residue.runtime.listening.laying import Laying
from residue.runtime.listening.opening import Version, opened
from residue.runtime.listening.place import ListeningPlace, in_the_room, on_headphones
from residue.runtime.listening.telling import heard
from residue.runtime.listening.trail import Trail
from residue.runtime.offline.rendering import Excerpt
from residue.runtime.planning.checkpoints import EVERY_FRAMES
from residue.runtime.planning.preparation import checkpoints_of, open_performance
from residue.runtime.system.clock import SystemClock
from residue.runtime.system.diagnostics import Diagnostics
from residue.runtime.system.ending_signals import ending_signals, handled
from residue.schedule.watched import LoadedFiles, Refused, Watched
from residue.watchdog.deadman import Deadman

logger = logging.getLogger(__name__)

LOOK_S = 0.1
SETTLED_S = 0.2
"""A file that an editor writes in pieces is whole by then."""
_AHEAD_FRAMES = 3 * BLOCK_FRAMES
"""A new version is stepped so far ahead of what is heard, so that it is there in time."""
_MOST_TRIES = 10
_CUT_FADE_S = 0.5
_STOP_S = 5.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Wish:
    """What somebody wants to hear. performance: None takes the first. device: None takes that of the place."""

    folder: Path
    performance: str | None = None
    from_s: float = 0.0
    room: bool = False
    device: str | None = None
    trim_db: float = 0.0
    for_s: float | None = None


def listen(wish: Wish, state: Path, cache: Path, progress: Progress = silent) -> None:
    """Plays until the performance is over, a signal comes, or `for_s` is over; tells it through `logging`.

    state: the folder of the level log of the room. Raises ProblemError where it cannot begin.
    """
    sys.setswitchinterval(SWITCH_S)
    graph, _ = sketch(wish.folder)
    name = _performance(wish)
    where = (
        in_the_room(wish.folder, graph, name, device=wish.device, state=state, clock=SystemClock())
        if wish.room
        else nullcontext(on_headphones(wish.device))
    )
    with where as place:
        version = _read(wish.folder, name, place, cache, progress)
        frame = frame_at(wish.from_s) // BLOCK_FRAMES * BLOCK_FRAMES
        Excerpt(frame).check(version.performance)
        with Diagnostics() as diagnostics:
            Session(wish, name, place, cache).run(version, frame, diagnostics)


def _performance(wish: Wish) -> str:
    there, where = find_performances(wish.folder), str(wish.folder / PERFORMANCES)
    if not there:
        raise stopping(where, "There is no performance.", "Bring one with `residue ingest`.")
    name = wish.performance or next(iter(there))
    if name not in there:
        raise stopping(where, f'There is no performance "{name}".', nearest(name, there))
    return name


def _read(folder: Path, performance: str, place: ListeningPlace, cache: Path, progress: Progress = silent) -> Version:
    """The piece as it stands in the folder now. Raises ProblemError."""
    try:
        installation = draft(folder, performance, gallery=False)
        place.check(installation.graph)
        prepared = open_performance(installation, performance, cache, progress)
        return Version(installation, prepared, checkpoints_of(installation, prepared, cache))
    except ProblemError:
        raise
    except Exception as error:  # nodes of an artist, and what they read, may raise any error
        logger.debug("The piece cannot be read", exc_info=error)
        raise stopping(PIECE, f"It cannot be read: {error}.", "Save it corrected.") from error


class Session:
    """One session: a piece at a place, and each version of it that is saved meanwhile."""

    def __init__(self, wish: Wish, name: str, place: ListeningPlace, cache: Path) -> None:
        self._wish, self._name, self._place, self._cache = wish, name, place, cache
        self._words: SimpleQueue[str] = SimpleQueue()
        """What the engine's thread has to tell."""
        self._laying = Laying(wish.folder, name, cache)
        self._over = False
        self._turns = 0
        self._tried: tuple[Trail, int] | None = None
        """The version, and the minute from which it was tried to remember all of it."""

    def run(self, version: Version, frame: int, diagnostics: Diagnostics) -> None:
        """Plays from a frame on. Raises ProblemError where it cannot begin."""
        for line in (*self._place.words, *map(str, version.installation.findings)):
            logger.info("%s", line)
        trail = self._reached(version, frame)
        place = self._place
        self._engine = Engine(place.stage, place.open_sink(), len(place.outputs), log_lags=place.log_lags)
        self._engine.trim(gain_from_db(min(self._wish.trim_db, 0.0)))
        watched = self._watch(version.installation.graph)
        self._engine.start()
        self._begin(trail)
        self._laying.begin(time.monotonic())
        deadman = Deadman(lambda: self._engine.snapshot.frames)
        deadman.start()
        until_s = None if self._wish.for_s is None else time.monotonic() + self._wish.for_s
        try:
            with handled(ending_signals(), self._end):
                while not (self._over or self._ended()) and (until_s is None or time.monotonic() < until_s):
                    time.sleep(LOOK_S)
                    self._note()
                    watched = self._follow(watched)
                    self._go_on()
                    self._laying.look(time.monotonic())
                    self._remember()
                    if diagnostics.terminal:
                        diagnostics.show(self._line())
        finally:
            self._laying.end()
            deadman.stop()
            self._engine.stop(_CUT_FADE_S, _STOP_S)
            self._note()

    def _watch(self, graph: Graph) -> Watched[Version]:
        read = lambda: _read(self._wish.folder, self._name, self._place, self._cache)  # noqa: E731
        return Watched(self._files(graph), read, settled_s=SETTLED_S)

    def _files(self, graph: Graph) -> tuple[Path, ...]:
        return tuple(self._wish.folder / file for file in (PIECE, *graph.files))

    def _watch_refused(self, watched: Watched[Version]) -> Watched[Version]:
        """What is watched after a refusal: a file that is missing may come."""
        with suppress(ProblemError):
            graph, _ = sketch(self._wish.folder)
            if self._files(graph) != watched.paths:
                return self._watch(graph)
        return watched

    def _follow(self, watched: Watched[Version]) -> Watched[Version]:
        """Takes up an edit that was saved; gives what is watched from now on, as it may name other files."""
        found = watched.look(time.monotonic())
        if isinstance(found, Refused):
            self._stay(found.error)
            watched = self._watch_refused(watched)
        elif isinstance(found, LoadedFiles):
            if self._files(graph := found.value.installation.graph) != watched.paths:
                watched = self._watch(graph)
            try:
                self._take(found.value)
            except ProblemError as error:
                self._stay(error)
            except Exception as error:  # nodes of an artist may raise any error, and the piece as it was plays on
                logger.debug("The edited piece failed", exc_info=error)
                self._stay(error)
        return watched

    def _stay(self, error: Exception) -> None:
        logger.info("%s", error)
        if not self._edited.failed:
            logger.info("The piece as it was plays on.")

    def _take(self, version: Version) -> None:
        """Takes a version to the place that is heard, and a little further. Raises any error of its nodes."""
        for finding in version.installation.findings:
            logger.info("%s", finding)
        if self._edited.failed:
            self._begin(self._reached(version, frame_at(self._engine.snapshot.playhead_s), self._edited.now))
        else:
            self._come_in(self._reached(version, self._edited.position, self._edited.now))
        self._laying.begin(time.monotonic())

    def _come_in(self, trail: Trail) -> None:
        """Offers a version a little ahead of the place that is heard."""
        for _ in range(_MOST_TRIES):
            if trail.position >= self._edited.position + BLOCK_FRAMES:
                break
            trail.skip_to(self._edited.position + _AHEAD_FRAMES)
        self._edited.offer(trail)

    def _go_on(self) -> None:
        """Begins the version that was offered to one that failed before it could hand over."""
        if self._edited.failed and (waiting := self._edited.offered) is not None:
            self._begin(waiting)

    def _remember(self) -> None:
        """Takes up the same version with all of its memory, once its states near the place are known."""
        now, position = self._edited.now, self._edited.position
        minute = position // EVERY_FRAMES * EVERY_FRAMES
        if now.remembers_all or not self._edited.settled or self._tried == (now, minute):
            return
        if now.version.kept.whole(minute):
            self._tried = now, minute  # once: what cannot be read now cannot be read in a moment either
            playback, fresh = opened(now.version, position, (), None)
            if not fresh:
                trail = Trail(now.version, playback)
                trail.skip_to(position + _AHEAD_FRAMES)
                self._edited.offer(trail)
                logger.info(
                    "From %s on it is heard with all of its memory, as in a render.",
                    place_in_words(seconds(trail.position)),
                )

    def _reached(self, version: Version, frame: int, before: Trail | None = None) -> Trail:
        """A version at a frame, to which it is stepped from what is known; tells what it has no memory of."""
        section = None if before is None else self._engine.snapshot.section
        playback, fresh = opened(version, frame, () if before is None else before.marks, section)
        trail = Trail(version, playback)
        begins = trail.position
        trail.skip_to(frame)
        edited_from = None if before is None else before.version.installation.graph
        old = {} if before is None else before.version.kept.lineages[0]
        reached = {name for name, key in version.kept.lineages[0].items() if old.get(name) != key}
        graph = version.installation.graph
        for line in heard(graph, edited_from, fresh, reached=reached, frame=frame, begins=begins):
            logger.info("%s", line)
        return trail

    def _begin(self, trail: Trail) -> None:
        self._turns += 1
        rise_s = 0.0 if trail.position else SLOW_START_S  # elsewhere than at the beginning the engine fades in itself
        self._edited = Edited(trail, self._mix, rise_s, self._words.put)
        self._engine.begin(Turn(self._turns, self._name, self._edited, 1.0, planned=False))

    def _mix(self, trail: Trail, sound: Floats) -> Floats:
        return self._place.mix(trail.version.installation.piece.outputs, sound)

    def _note(self) -> None:
        """Logs what was sent, keeps checkpoints, and tells what the engine has met."""
        with suppress(Empty):
            while True:
                self._place.sent(self._engine.tallies.get_nowait(), self._engine.snapshot)
        trail = self._edited.now
        with suppress(Empty):
            while True:
                trail.version.kept.keep(*trail.minutes.get_nowait())
        with suppress(Empty):
            while True:
                logger.info("%s", self._words.get_nowait())

    def _ended(self) -> bool:
        """Whether the performance is over; if its graph failed, it waits for another version."""
        now = self._engine.snapshot
        return now.turn == self._turns and now.performance is None and not self._edited.failed

    def _line(self) -> str:
        now = self._engine.snapshot
        held_db = now.reading.governor_db if now.reading is not None else 0.0
        held = f" | the cap lowers by {-held_db:.1f} dB" if held_db < -0.05 else ""
        lost = f" | {now.lost}" if now.lost else ""
        return f"{self._name} {place_in_words(now.playhead_s)}, {now.section or 'no section'}{held}{lost}"

    def _end(self, *_: object) -> None:
        self._over = True
