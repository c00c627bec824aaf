"""Looks after swaps beside the daemon's loop, and lets planner, engine and house know of what was taken."""

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

logger = logging.getLogger(__name__)

LOOK_S = 0.5
FAULT_S = 60.0
"""After a fault of our own swaps are let be for a while; the house plays on."""


class SwapKeeper:
    """Has swaps looked after while the show goes on.

    happened: writes into the event log: kind, text, and who asked. tell: sends a word to whoever asked last at the
    control surface.
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
        """Somebody wants a swap. Raises ValueError, in a person's words."""
        candidate = checked(wish, self._show.in_force(), self._show.clock.now())
        self._swaps.ask(candidate)
        self._happened("swap", f"{candidate.what}, {wish.when}: asked for.", sender)

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
        show = self._show
        opening = show.timekeeper.opening_at(show.clock.now())
        now = moment(show.keeper.house, show.in_force().hours.programme, show.engine.snapshot, opening)
        look = partial(self._swaps.look, now, show.clock.monotonic_s(), planning=show.planner.busy)
        taken, told = await asyncio.to_thread(look)
        for text in told:
            self._happened("swap", text, None)
            self._tell(text)
        if taken is not None:
            self._took(taken)
            installation = show.in_force()
            now_there = replace(installation, performances=find_performances(installation.folder))
            self._happened("in force", await asyncio.to_thread(in_force, now_there), None)
        show.player.held_back = self._swaps.held_back  # after the new plan, by which the new one begins

    def _took(self, taken: SwapDone) -> None:
        show = self._show
        show.planner.plan_again(taken.outcome)
        show.engine.forgive(taken.name)
        if show.keeper.performance == taken.name:
            show.keeper.tell(Renew("a swap"))
