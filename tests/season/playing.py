"""The engine of a season: turns that are only a length and a level, through the real caps into a simulated device."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import replace
from enum import Enum
from math import ceil, inf
from typing import Any

import numpy as np

from residue.loudness.stage.capped import Capped, Seal
from residue.loudness.stage.history import SentHistory
from residue.loudness.stage.readings import Reading
from residue.loudness.stage.stage import CapStage
from residue.output.returning import ReturningSink
from residue.output.sink import SinkLostError
from residue.problems import stopping
from residue.runtime.engine.engine import RETURN_FADE_S
from residue.runtime.engine.player import left_out
from residue.runtime.engine.snapshot import Failure, Snapshot
from residue.runtime.house.exchange import Action, EngineView, FadeOut, SetTrim, Start
from residue.runtime.planning.checkpoints import EVERY_S
from residue.runtime.planning.planning import Outcome
from tests.season.caps import CAPS, HOPS_A_SECOND, OUTPUTS, SPARED, Ear, Floats, Governor

DURATION_S = {"first-batch": 300, "second-batch": 351, "third-batch": 420}
QUIET = CapStage(OUTPUTS, CAPS).reading()
WINDING = 30.0
"""How much faster than real time a playback is stepped from a checkpoint to its place: the least that was measured."""
GATHERED_S = 60
SECOND = Capped(np.zeros((1, 48_000)), Seal())


def _planned_energies() -> Mapping[str, Floats]:
    """(hops,) of each performance: an arc with a climax, as loud as the first cap allows where it is loudest."""
    found = {}
    for name, seconds in DURATION_S.items():
        arc = 0.1 + 0.74 * np.sin(np.linspace(0.0, np.pi, seconds)) ** 2
        found[name] = np.repeat(arc, HOPS_A_SECOND)
    return found


ENERGIES = _planned_energies()


class Hang(Enum):
    """Where an engine's thread can be lost."""

    GRAPH = "it waits in a node"
    STAGE = "it waits in the cap stage"
    DEAD = "it raised, and is gone"


class Device:
    """What stands at the other end of the cable, with the faults that it may have."""

    latency_s = 0.4
    late_blocks = 0

    def __init__(self) -> None:
        self.absent = False
        self.too_few_channels = False
        self.pace = 1.0

    def open(self) -> Device:
        if self.absent:
            raise SinkLostError("It is unplugged.")
        if self.too_few_channels:
            raise stopping("room.toml: output", "The device has 2 channels.", "Name another.")
        self.pace = 1.0
        return self

    def write(self, _capped: Capped) -> None:
        if self.absent or self.too_few_channels:
            raise SinkLostError("It is gone.")

    def close(self) -> None:
        pass


class Playing:
    """Engine, player and plan of one process, as the house sees them; one step is whole seconds."""

    def __init__(
        self, monotonic_s: Callable[[], float], device: Device, history: SentHistory, outcome: Outcome, ear: Ear
    ) -> None:
        self._monotonic_s = monotonic_s
        self._device = device
        self._ear = ear
        self.outcome = outcome
        self.governor = Governor(history)
        self.sink = ReturningSink(device.open, monotonic_s, lambda _s: None)
        self.now = Snapshot()
        self._start: Start | None = None
        self.sounds_at_s = inf
        self.fade_left_s = inf
        self._trim_db = 0.0
        self._since_return_s = RETURN_FADE_S
        self.sent: list[tuple[int, Floats]] = []
        """(first hop, energies) of this process: what its log may tell of it."""
        self._waiting: list[Floats] = []
        self._waiting_from = 0
        self._waiting_s = 0
        self.late_blocks = 0
        self.muted_frames = 0
        self.hangs: Hang | None = None
        self.start_hangs = False
        """The disk does not answer to what begins next."""
        self._start_asked_s = self.winding_s = 0.0
        """When the last start was asked for, and how long it takes: the disk may be faster again before it sounds."""
        self.ignores_fades = False
        self.gives_nothing = False
        self.direct = False
        self.stuck = False
        self.not_finite = False
        self.too_loud = 1.0
        self.lowered_db = 0.0
        """The plan's, below that for the cap as it was first written."""
        self._spares = False
        self.slow_s = 0.0
        """So much longer the disk takes until a performance begins."""

    # As the house sees it.

    def view(self) -> EngineView:
        failed = left_out(self.now.failures, self.outcome.gain_db.keys(), self._monotonic_s())
        return EngineView(
            turn=self.now.turn,
            sounding=self.now.performance is not None,
            playhead_s=self.now.playhead_s,
            trim_db=self._trim_db,
            ready=frozenset(self.outcome.gain_db.keys() - failed.keys()),
            duration_s=self.outcome.duration_s,
            unplayable={**self.outcome.unplayable, **failed},
            fault=self.now.lost,
        )

    def do(self, actions: Iterable[Action]) -> None:
        starts = [action for action in actions if isinstance(action, Start)]
        if not starts:
            self._start, self.sounds_at_s = None, inf
        for action in actions:
            if type(action) in self._DO:
                self._DO[type(action)](self, action)

    def _wind(self, start: Start) -> None:
        if start != self._start and start.turn != self.now.turn:
            self._start, self._start_asked_s = start, self._monotonic_s()
            self.winding_s = inf if self.start_hangs else ceil(start.from_s % EVERY_S / WINDING + self.slow_s)
            self.sounds_at_s = self._start_asked_s + self.winding_s

    def _fade_out(self, fade: FadeOut) -> None:
        if not self.ignores_fades:
            self.fade_left_s = min(self.fade_left_s, fade.seconds)

    def _set_trim(self, trim: SetTrim) -> None:
        self._trim_db = trim.db

    _DO: Mapping[type, Callable[[Playing, Any], None]] = {Start: _wind, FadeOut: _fade_out, SetTrim: _set_trim}

    # Time passes.

    @property
    def under_way(self) -> bool:
        return self.now.performance is not None

    @property
    def heard(self) -> bool:
        """Somebody in the room hears the performance."""
        return self.under_way and not self.mute and self.now.lost is None and self.hangs is None

    @property
    def mute(self) -> bool:
        """Nothing comes out of the cap, whatever the graph does."""
        return self.gives_nothing or self.stuck or self.not_finite

    @property
    def ends_in_s(self) -> float:
        """Until what sounds has ended, or what is wound forward sounds."""
        begins_s = self.sounds_at_s - self._monotonic_s()
        if self.now.performance is None:
            return begins_s
        return min(begins_s, self.fade_left_s, DURATION_S[self.now.performance] - self.now.playhead_s)

    def pass_by(self, began_s: float, first_hop: int, duration_s: int) -> None:
        """So much has passed since `began_s`; the device was as it is now."""
        if self.hangs is not None:
            self.settle()
            return
        self._begin_if_due(began_s)
        self.sink.write(SECOND)
        lost = self.sink.lost
        self._since_return_s = 0.0 if lost is not None else self._since_return_s + duration_s
        if not self._waiting:
            self._waiting_from = first_hop
        self._waiting.append(self._asked(duration_s))
        self._waiting_s += duration_s
        if self._waiting_s >= GATHERED_S:
            self.settle()
        self.now = replace(
            self.now,
            frames=self.now.frames + round(duration_s * 48_000 * (1.0 if lost else self._device.pace)),
            asked_peak=0.1 if self.under_way else 0.0,
            sent_peak=0.1 if self.under_way and not self.mute and lost is None else 0.0,
            direct_current=0.05 if self.direct and lost is None else 0.0,
            stuck_at=0.1 if self.stuck and self.under_way else 0.0,
            late_blocks=self.late_blocks,
            lost=lost,
            device_wrong=self.sink.wrong,
            losses=self.sink.losses,
            reading=self._reading(),
        )
        self._go_on(duration_s)

    def settle(self) -> None:
        """Have the caps count what has gathered: what they let through does not depend on when they are asked."""
        if self._waiting:
            asked = np.concatenate(self._waiting)
            energies = self.governor.send(np.minimum(asked, SPARED) if self._spares else asked)
            self.sent.append((self._waiting_from, energies))
            self._ear.hear(self._waiting_from, energies)
        self._waiting, self._waiting_s = [], 0

    def spare(self, *, spares: bool) -> None:
        """Whether no hop may use more than half of a limit, because the disk takes nothing."""
        self.settle()
        self._spares = spares

    def _reading(self) -> Reading:
        self.muted_frames += self.not_finite and self.under_way
        governor_db = -3.0 if self.governor.acted else 0.0
        return replace(QUIET, governor_db=governor_db, muted_frames=self.muted_frames)

    def _begin_if_due(self, began_s: float) -> None:
        start = self._start
        if start is None or began_s < self.sounds_at_s:
            return
        self._start, self.sounds_at_s, self.fade_left_s = None, inf, inf
        self.now = replace(self.now, turn=start.turn, performance=start.performance, playhead_s=start.from_s)

    def _asked(self, duration_s: int) -> Floats:
        """(hops,): what reaches the caps; nothing while nobody hears it."""
        hops = duration_s * HOPS_A_SECOND
        silent = self.mute or self._since_return_s < RETURN_FADE_S
        if self.now.performance is None or silent:
            return np.zeros(hops)
        at = int(self.now.playhead_s * HOPS_A_SECOND)
        energies = ENERGIES[self.now.performance][at : at + hops] * self.too_loud * 10 ** (self.lowered_db / 10)
        return np.concatenate([energies, np.zeros(hops - len(energies))])

    def _go_on(self, duration_s: int) -> None:
        if self.now.performance is None:
            return
        playhead_s = min(float(DURATION_S[self.now.performance]), self.now.playhead_s + duration_s)
        self.fade_left_s -= duration_s
        if playhead_s >= DURATION_S[self.now.performance] or self.fade_left_s <= 0.0:
            self._end()
        self.now = replace(self.now, playhead_s=playhead_s)

    def _end(self) -> None:
        self.now = replace(self.now, performance=None)
        self.fade_left_s, self.too_loud = inf, 1.0
        self.stuck = self.not_finite = False

    # Remedies.

    def fail(self, why: str) -> None:
        """What is under way ends, and is left out."""
        if (performance := self.now.performance) is not None:
            before = self.now.failures.get(performance)
            failure = Failure(why, self._monotonic_s(), before.times + 1 if before else 1)
            self.now = replace(self.now, failures={**self.now.failures, performance: failure})
            self._end()

    @property
    def start_still_s(self) -> float:
        return self._monotonic_s() - self._start_asked_s if self._start and self.start_hangs else 0.0

    def leave_out(self, why: str) -> None:
        """What does not begin is left out, and its turn counts as had."""
        self.start_hangs = False
        if self._start is not None:
            failure = Failure(why, self._monotonic_s())
            failures = {**self.now.failures, self._start.performance: failure}
            self.now = replace(self.now, turn=self._start.turn, failures=failures)
            self._start, self.sounds_at_s = None, inf

    def rebuild(self, why: str) -> bool:
        if self.hangs is Hang.STAGE:
            return False
        self.hangs = None
        self.late_blocks += 1
        self.fail(why)
        return True
