"""Handles swaps beside the daemon's loop, and informs planner, engine and house of completed swaps."""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Callable, Sequence
from dataclasses import replace
from functools import partial
from pathlib import Path

from residue.installation.load import find_performances
from residue.runtime.engine.show import Show
from residue.runtime.house.exchange import Renew
from residue.runtime.house.osc_handlers import SwapOrder
from residue.runtime.journal.in_force_digest import in_force
from residue.runtime.swap.moment import moment
from residue.runtime.swap.stager import checked
from residue.runtime.swap.swaps import SwapDone, Swaps
from residue.runtime.system.beside_loop import in_thread

logger = logging.getLogger(__name__)

LOOK_S = 0.5
FAULT_S = 60.0
"""After a fault of our own swaps pause for this time; the house continues to play."""


class SwapKeeper:
    """Handles swaps while the show continues.

    happened: writes into the event log: kind, text, and who asked. tell: sends a message to the last sender of a
    request at the control surface.
    """

    def __init__(
        self,
        show: Show,
        cache: Path,
        happened: Callable[[str, str, str | None], None],
        tell: Callable[[str], None],
    ) -> None:
        self._show = show
        self._happened = happened
        self._tell = tell
        self._swaps = Swaps(show.in_force, cache)

    @property
    def alarms(self) -> Sequence[str]:
        """Swaps that were refused, and bags that are incomplete."""
        return self._swaps.alarms

    @property
    def told(self) -> Sequence[dict[str, str | None]]:
        """Every swap under way, for programs."""
        return self._swaps.told

    def asked(self, wish: SwapOrder, sender: str) -> None:
        """Takes the request of a swap. Raises ValueError, in words for people."""
        candidate = checked(wish, self._show.in_force(), self._show.clock.now())
        self._swaps.ask(candidate)
        self._happened("swap", f"{candidate.what}, {wish.when}: asked for.", sender)

    async def keep(self) -> None:
        """Checks again and again, for ever; in a thread, because disks are slow."""
        while True:
            try:
                await self._look()
            except Exception as error:
                logger.exception("Swaps cannot be handled")
                self._happened("swap", f"Swaps cannot be handled for now: {error}.", None)
                await asyncio.sleep(FAULT_S)
            await asyncio.sleep(LOOK_S)

    def end(self) -> None:
        """Ends the work in progress."""
        self._swaps.end()

    async def _look(self) -> None:
        show = self._show
        opening = show.timekeeper.opening_at(show.clock.now())
        now = moment(show.keeper.house, show.in_force().hours.programme, show.engine.snapshot, opening)
        look = partial(self._swaps.look, now, show.clock.monotonic_s(), planning=show.planner.busy)
        taken, told = await in_thread(look)
        for text in told:
            self._happened("swap", text, None)
            self._tell(text)
        if taken is not None:
            self._took(taken)
            installation = show.in_force()
            now_there = replace(installation, performances=find_performances(installation.folder))
            self._happened("in force", await in_thread(in_force, now_there), None)
        show.player.held_back = self._swaps.held_back  # after the new plan, with which the new performance begins

    def _took(self, taken: SwapDone) -> None:
        show = self._show
        show.planner.plan_again(taken.outcome)
        show.engine.forgive(taken.name)
        if show.keeper.performance == taken.name:
            show.keeper.tell(Renew("a swap"))
