"""Between house and engine: turns requests of the house into orders, and the engine's state into the house's view."""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Callable, Iterable, Mapping, Set
from functools import partial
from typing import Any, Protocol

from residue.dsp.exact import gain_from_db
from residue.loudness.plan.plan import Lowering
from residue.mapping.playback import Playable
from residue.mapping.signals import frame_at
from residue.output.in_step import hop_at
from residue.problems import ProblemError
from residue.progress import Progress
from residue.runtime.engine.engine import BLOCK_FRAMES, Engine, Turn
from residue.runtime.engine.snapshot import Failure
from residue.runtime.house.exchange import Action, EngineView, FadeOut, SetTrim, Start
from residue.runtime.planning.planning import Outcome

logger = logging.getLogger(__name__)


LEFT_OUT_S = 3_600.0
"""The time for which a failed performance is left out; it doubles with each failure, up to LEFT_OUT_MOST_S."""
LEFT_OUT_MOST_S = 86_400.0
ALL_FAILED_S = 20.0
"""If nothing else can be played, a failed performance is tried again after this time."""


def left_out(failures: Mapping[str, Failure], planned: Set[str], now_s: float) -> Mapping[str, str]:
    """The performances that are left out for now, and the reason; a fault must not silence the house for ever."""
    still = {
        name: failure.why
        for name, failure in failures.items()
        if now_s - failure.at_s < min(LEFT_OUT_MOST_S, LEFT_OUT_S * 2.0 ** (failure.times - 1))
    }
    if planned - still.keys():
        return still
    return {name: why for name, why in still.items() if now_s - failures[name].at_s < ALL_FAILED_S}


class Windable(Playable, Protocol):
    """A performance that can be wound forward before it plays."""

    def skip_to(self, frame: int, progress: Callable[[int], None] = lambda frame: None) -> None:
        """Goes silently to a later frame."""


class Plans(Protocol):
    """The plans that a planner has ready."""

    outcome: Outcome


class _NotWantedError(Exception):
    """The house no longer wants a performance that is being wound forward."""


class Player:
    """Carries out the actions of the house.

    To wind a performance forward takes seconds, and has a thread of its own. The planner makes the whole programme
    ready from the start; only data that has disappeared from the cache is made again here.

    opens: gives the playback of a performance at a frame or shortly before it; may raise ProblemError, and the errors
    of its progress. lowers: lowers a playback under way further, as a plan asks. held_back: performances that are not
    to begin now, because others are about to replace them.
    """

    def __init__(
        self,
        engine: Engine,
        plans: Plans,
        opens: Callable[[str, int, Progress], Windable],
        monotonic_s: Callable[[], float] = time.monotonic,
        lowers: Callable[[Lowering, Playable], None] = lambda lowering, playback: None,
    ) -> None:
        self._monotonic_s = monotonic_s
        self._engine = engine
        self._plans = plans
        self._opens = opens
        self._lowers = lowers
        self._lowerings: dict[int, Lowering] = {}
        """The further attenuation of turns, of the present one and those that come."""
        self.held_back: frozenset[str] = frozenset()
        self._trim_db = 0.0
        self._wanted: Start | None = None
        self._taken_up: Start | None = None
        self._moved_s = 0.0
        """The time of the last progress of the start that is being prepared."""

    @property
    def start_still_s(self) -> float:
        """The time since the last progress of the start that is being prepared; 0 where there is none."""
        start = self._taken_up
        if start is None or start != self._wanted or self._engine.snapshot.turn == start.turn:
            return 0.0
        return self._monotonic_s() - self._moved_s

    def leave_out(self, why: str) -> None:
        """Counts the coming performance as failed; the house does not begin it even if its preparation ends."""
        start, self._wanted = self._taken_up, None
        if start is not None:
            self._engine.refuse(start.turn, start.performance, why)

    def follow_plan(self) -> None:
        """Lowers the present performance if its plan has become lower; it never becomes louder under way."""
        now, outcome = self._engine.snapshot, self._plans.outcome
        if now.performance is None or now.performance not in outcome.gain_db:
            return
        gain = gain_from_db(outcome.gain_db[now.performance])
        lowering = outcome.lowering.get(now.performance, Lowering())
        if gain < now.plan_gain or lowering != self._lowerings.get(now.turn, Lowering()):
            self._lowerings[now.turn] = lowering
            self._engine.lower_plan(now.turn, gain, partial(self._lowers, lowering))
        for turn in [turn for turn in tuple(self._lowerings) if turn < now.turn]:
            del self._lowerings[turn]  # in place: a thread that winds forward adds to it meanwhile

    def view(self) -> EngineView:
        """The engine and the performances ready for it, as the house sees them."""
        now = self._engine.snapshot
        outcome = self._plans.outcome
        failed = left_out(now.failures, outcome.gain_db.keys(), self._monotonic_s())
        return EngineView(
            turn=now.turn,
            sounding=now.performance is not None,
            playhead_s=now.playhead_s,
            trim_db=self._trim_db,
            ready=frozenset(outcome.gain_db.keys() - failed.keys() - self.held_back),
            duration_s=outcome.duration_s,
            unplayable={**outcome.unplayable, **failed},
            fault=now.lost,
        )

    def do(self, actions: Iterable[Action]) -> None:
        """Carries out all requests of the house in one step; a start that it no longer requests is given up."""
        wanted = [action for action in actions if isinstance(action, Start)]
        self._wanted = wanted[0] if wanted else None
        for action in actions:
            if type(action) in self._DO:
                self._DO[type(action)](self, action)

    def _start(self, start: Start) -> None:
        if self._taken_up != start and self._engine.snapshot.turn != start.turn:
            self._taken_up, self._moved_s = start, self._monotonic_s()
            threading.Thread(target=self._wind, args=(start,), name="winder", daemon=True).start()

    def _wind(self, start: Start) -> None:
        def still_wanted(_done: int) -> None:
            if self._wanted != start:
                raise _NotWantedError
            self._moved_s = self._monotonic_s()

        try:
            # To the beginning of a hop of the cap stage, as in the plan.
            frame = frame_at(start.from_s) // BLOCK_FRAMES * BLOCK_FRAMES
            # Read before the playback takes it: a plan that changes meanwhile is followed afterwards.
            lowering = self._plans.outcome.lowering.get(start.performance, Lowering())
            playback = self._opens(start.performance, frame, lambda _what, done, _total: still_wanted(done))
            playback.skip_to(frame, still_wanted)
            gain = gain_from_db(self._plans.outcome.gain_db[start.performance])
            self._lowerings[start.turn] = lowering
            still_wanted(playback.position)
            first_hop = None if start.begins is None else hop_at(start.begins.timestamp())
            turn = Turn(start.turn, start.performance, playback, gain, in_order=start.in_order, first_hop=first_hop)
            self._engine.begin(turn)
        except _NotWantedError:
            if self._taken_up == start:  # else another start has been requested since
                self._taken_up = None
        except ProblemError as error:
            self._engine.refuse(start.turn, start.performance, str(error))
        except Exception as error:  # nodes of an artist may raise any error, and the house continues to play
            logger.exception("%s cannot be started", start.performance)
            self._engine.refuse(start.turn, start.performance, f"It failed before it began: {error}.")

    def _fade_out(self, fade: FadeOut) -> None:
        self._engine.fade_out(fade.seconds)

    def _set_trim(self, trim: SetTrim) -> None:
        self._trim_db = trim.db
        self._engine.trim(gain_from_db(trim.db))

    _DO: Mapping[type, Callable[[Player, Any], None]] = {Start: _start, FadeOut: _fade_out, SetTrim: _set_trim}
