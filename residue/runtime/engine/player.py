"""Between house and engine: what the house asks for becomes orders, and what is so becomes the house's view."""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Callable, Iterable, Mapping, Set
from typing import Any, Protocol

from residue.dsp.exact import gain_from_db
from residue.mapping.playback import Playback
from residue.mapping.signals import frame_at
from residue.problems import ProblemError
from residue.progress import Progress
from residue.runtime.engine.engine import BLOCK_FRAMES, Engine, Failure, Turn
from residue.runtime.house.exchange import Action, EngineView, FadeOut, SetTrim, Start
from residue.runtime.planning.planning import Outcome

logger = logging.getLogger(__name__)


LEFT_OUT_S = 3_600.0
"""How long a performance that failed once is left out; twice as long each time more, up to LEFT_OUT_MOST_S."""
LEFT_OUT_MOST_S = 86_400.0
ALL_FAILED_S = 20.0
"""If nothing else can be played, a failed performance is tried again after this time."""


def left_out(failures: Mapping[str, Failure], planned: Set[str], now_s: float) -> Mapping[str, str]:
    """Which performances are not to be played for now, and why: a fault must not silence the house for good."""
    still = {
        name: failure.why
        for name, failure in failures.items()
        if now_s - failure.at_s < min(LEFT_OUT_MOST_S, LEFT_OUT_S * 2.0 ** (failure.times - 1))
    }
    if planned - still.keys():
        return still
    return {name: why for name, why in still.items() if now_s - failures[name].at_s < ALL_FAILED_S}


class Plans(Protocol):
    """The plans that a planner has ready."""

    outcome: Outcome


class _NotWantedError(Exception):
    """The house has changed its mind while a performance was wound forward."""


class Player:
    """Carries out the actions of the house.

    Winding a performance forward takes seconds and a thread of its own. Making one ready is for the planner, which is
    at work on the whole programme from the start; only what has gone from the cache since is made again here.

    opens: gives the playback of a performance at a frame or, as near as may be, before it; may raise ProblemError, and
    what its progress raises.
    held_back: performances that are not to begin now, because others are about to take their places.
    """

    def __init__(
        self,
        engine: Engine,
        plans: Plans,
        opens: Callable[[str, int, Progress], Playback],
        monotonic_s: Callable[[], float] = time.monotonic,
    ) -> None:
        self._monotonic_s = monotonic_s
        self._engine = engine
        self._plans = plans
        self._opens = opens
        self.held_back: frozenset[str] = frozenset()
        self._trim_db = 0.0
        self._wanted: Start | None = None
        self._taken_up: Start | None = None
        self._moved_s = 0.0
        """When what is about to begin came nearer to it."""

    @property
    def start_still_s(self) -> float:
        """How long what is about to begin has come no nearer to it; 0 where nothing is."""
        start = self._taken_up
        if start is None or start != self._wanted or self._engine.snapshot.turn == start.turn:
            return 0.0
        return self._monotonic_s() - self._moved_s

    def leave_out(self, why: str) -> None:
        """Counts the coming performance as failed; the house does not begin it even if it comes back."""
        start, self._wanted = self._taken_up, None
        if start is not None:
            self._engine.refuse(start.turn, start.performance, why)

    def follow_plan(self) -> None:
        """Lower what plays where the plan for it has become lower; it never becomes louder under way."""
        now = self._engine.snapshot
        gain_db = None if now.performance is None else self._plans.outcome.gain_db.get(now.performance)
        if gain_db is not None and (gain := gain_from_db(gain_db)) < now.plan_gain:
            self._engine.lower_plan(now.turn, gain)

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
        """All that the house asks for in one step; a start that it no longer asks for is given up."""
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
            # To the beginning of a hop of the cap stage, as the plan saw it.
            frame = frame_at(start.from_s) // BLOCK_FRAMES * BLOCK_FRAMES
            playback = self._opens(start.performance, frame, lambda _what, done, _total: still_wanted(done))
            playback.skip_to(frame, still_wanted)
            gain = gain_from_db(self._plans.outcome.gain_db[start.performance])
            still_wanted(playback.position)
            self._engine.begin(Turn(start.turn, start.performance, playback, gain, in_order=start.in_order))
        except _NotWantedError:
            if self._taken_up == start:  # else another has been taken up since
                self._taken_up = None
        except ProblemError as error:
            self._engine.refuse(start.turn, start.performance, str(error))
        except Exception as error:  # nodes of an artist may raise anything, and the house plays on
            logger.exception("%s cannot be started", start.performance)
            self._engine.refuse(start.turn, start.performance, f"It failed before it began: {error}.")

    def _fade_out(self, fade: FadeOut) -> None:
        self._engine.fade_out(fade.seconds)

    def _set_trim(self, trim: SetTrim) -> None:
        self._trim_db = trim.db
        self._engine.trim(gain_from_db(trim.db))

    _DO: Mapping[type, Callable[[Player, Any], None]] = {Start: _start, FadeOut: _fade_out, SetTrim: _set_trim}
