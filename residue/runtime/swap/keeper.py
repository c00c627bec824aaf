"""Looks after swaps beside the daemon's loop, and lets planner, engine and house know of what was taken."""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Callable, Sequence
from dataclasses import replace
from functools import partial
from pathlib import Path

from residue.installation.load import Installation, find_performances
from residue.runtime.engine.engine import Engine
from residue.runtime.engine.player import Player
from residue.runtime.house.exchange import Renew
from residue.runtime.house.house_state import performance_at
from residue.runtime.house.keeper import Keeper
from residue.runtime.house.osc_handlers import SwapOrder
from residue.runtime.house.timekeeper import Timekeeper
from residue.runtime.journal.in_force import in_force
from residue.runtime.planning.planner import Planner
from residue.runtime.swap.moment import moment
from residue.runtime.swap.stager import checked
from residue.runtime.swap.swaps import SwapDone, Swaps
from residue.runtime.system.clock import Clock

logger = logging.getLogger(__name__)

LOOK_S = 0.5
FAULT_S = 60.0
"""After a fault of our own swaps are let be for a while; the house plays on."""


class SwapKeeper:
    """Everything that a swap concerns, put together.

    installation: with the hours in force. happened: told what goes into the event log: kind, text, and who asked.
    tell: sends a word to whoever asked last at the control surface.
    """

    def __init__(
        self,
        installation: Installation,
        cache: Path,
        clock: Clock,
        planner: Planner,
        engine: Engine,
        player: Player,
        keeper: Keeper,
        timekeeper: Timekeeper,
        happened: Callable[[str, str, str | None], None],
        tell: Callable[[str], None],
    ) -> None:
        self.installation = installation
        self._clock = clock
        self._planner = planner
        self._engine = engine
        self._player = player
        self._keeper = keeper
        self._timekeeper = timekeeper
        self._happened = happened
        self._tell = tell
        self._swaps = Swaps(installation, cache)

    @property
    def alarms(self) -> Sequence[str]:
        """Swaps that were refused, and bags that are incomplete."""
        return self._swaps.alarms

    @property
    def told(self) -> Sequence[dict[str, str | None]]:
        """Every swap under way, for programs."""
        return self._swaps.told

    def asked(self, wish: SwapOrder, sender: str) -> None:
        """Somebody wants a swap. Raises ValueError, in a person's words."""
        self._swaps.ask(checked(wish, self.installation, self._clock.now()))
        what = "The one before" if wish.bag is None else wish.bag
        self._happened("swap", f"{what} in the place of {wish.performance}, {wish.when}: asked for.", sender)

    async def keep(self) -> None:
        """Look again and again, for ever; in a thread, since disks take their time."""
        while True:
            try:
                await self._look()
            except Exception as error:
                logger.exception("Swaps cannot be handled")
                self._happened("swap", f"Swaps cannot be handled for now: {error}.", None)
                await asyncio.sleep(FAULT_S)
            await asyncio.sleep(LOOK_S)

    def end(self) -> None:
        """Stop what is being worked on."""
        self._swaps.end()

    async def _look(self) -> None:
        opening = self._timekeeper.opening_at(self._clock.now())
        now = moment(self._keeper.house, self._keeper.programme, self._engine.snapshot, opening)
        now_s, planning = self._clock.monotonic_s(), self._planner.busy
        look = partial(self._swaps.look, self.installation, now, now_s, planning=planning)
        taken, told = await asyncio.to_thread(look)
        for text in told:
            self._happened("swap", text, None)
            self._tell(text)
        if taken is not None:
            self._took(taken)
            now_there = replace(self.installation, performances=find_performances(self.installation.folder))
            self._happened("in force", await asyncio.to_thread(in_force, now_there), None)
        self._player.held_back = self._swaps.held_back  # after the new plan, by which the new one begins

    def _took(self, taken: SwapDone) -> None:
        self._planner.take(self.installation, taken.outcome)
        self._engine.forgive(taken.name)
        house = self._keeper.house
        if house.opening is not None and performance_at(house, self._keeper.programme) == taken.name:
            self._keeper.tell(Renew("a swap"))
