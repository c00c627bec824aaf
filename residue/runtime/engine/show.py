"""The parts that play an installation, put together around the one holder of what is in force."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from residue.installation.load import Installation
from residue.loudness.stage.history import Assumption
from residue.runtime.engine.engine import Engine
from residue.runtime.engine.player import Player
from residue.runtime.house.keeper import Keeper
from residue.runtime.house.timekeeper import Timekeeper
from residue.runtime.planning.planner import Planner
from residue.runtime.system.clock import Clock


@dataclass(frozen=True, slots=True)
class Show:
    """The parts that play, together.

    in_force: gives the installation; it is called each time. started_s: the start of the cap stage, on the monotonic
    clock. assumed: the energies that the caps count as sent although no row shows them.
    """

    in_force: Callable[[], Installation]
    clock: Clock
    started_s: float
    assumed: Sequence[Assumption]
    timekeeper: Timekeeper
    planner: Planner
    engine: Engine
    player: Player
    keeper: Keeper

    @property
    def plan_gain_db(self) -> float | None:
        """The gain of the plan for the present performance; None while none plays."""
        performance = self.engine.snapshot.performance
        return None if performance is None else self.planner.outcome.gain_db.get(performance)
