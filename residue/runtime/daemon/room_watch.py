"""The house's end of the process that listens while it is open: hands over what was sent, and takes what it tells."""

from __future__ import annotations

import asyncio
import logging
from collections import deque
from collections.abc import Callable
from contextlib import suppress

import msgspec
import numpy as np
from numpy.typing import NDArray

from residue.processes import command_of
from residue.proof.judging import DRIFT_DB
from residue.proof.messages import HEAD, RoomChange, Watch
from residue.proof.settings import Microphone

logger = logging.getLogger(__name__)

MOST_BLOCKS = 300
"""Blocks that may wait, half a minute; the oldest are dropped, and a window begins anew."""
LOOK_S = 0.25
MORE_DB = 0.5
"""A room that was found to be louder is told again once it is so much louder still."""
AGAIN_S = 60.0
"""After the process has ended by itself: so long until it is begun again; our choice."""


class RoomWatch:
    """Nothing without a microphone that listens while the house is open. alarm: why nothing can be told.

    wanted: whether the house is open. louder: called with the dB by which the room has become louder since the last
    call.
    """

    def __init__(
        self,
        microphone: Microphone | None,
        outputs: int,
        wanted: Callable[[], bool],
        louder: Callable[[float], None],
    ) -> None:
        self._microphone = microphone if microphone is not None and microphone.while_open else None
        self._outputs, self._wanted, self._louder = outputs, wanted, louder
        self._blocks: deque[bytes] = deque(maxlen=MOST_BLOCKS)
        self._listening = False
        self.alarm: str | None = None
        self.change_db: float | None = None
        """Of the last window, for the status."""

    def sent(self, first_frame: int, frames: NDArray[np.float64], heard_at_s: float) -> None:
        """Passes a block on, (outputs, frames), without waiting."""
        if self._listening:
            head = HEAD.pack(first_frame, heard_at_s, frames.shape[1])
            self._blocks.append(head + frames.astype(np.float32).tobytes())

    async def keep(self) -> None:
        """Listens whenever the house is open, for ever."""
        while self._microphone is not None:
            if self._wanted():
                try:
                    await self._listen(self._microphone)
                except Exception:  # a fault of our own; the house plays on
                    logger.exception("The room cannot be watched")
                    self.alarm = "The microphone cannot be used while the house is open, by a fault of the program."
                self._listening, self.change_db = False, None
                await asyncio.sleep(AGAIN_S if self._wanted() else 0.0)
            else:
                self.alarm = None  # while it is closed nothing has to be known
            await asyncio.sleep(LOOK_S)

    async def _listen(self, microphone: Microphone) -> None:
        pipe, nothing = asyncio.subprocess.PIPE, asyncio.subprocess.DEVNULL
        process = await asyncio.create_subprocess_exec(
            *command_of("residue.proof.watching", []), stdin=pipe, stdout=pipe, stderr=nothing
        )
        if process.stdin is None or process.stdout is None:
            return
        asked = Watch(device=microphone.device, input=microphone.input, outputs=self._outputs)
        taking = asyncio.create_task(self._take(process.stdout))
        try:
            process.stdin.write(msgspec.json.encode(asked) + b"\n")
            self._blocks.clear()
            self._listening = True
            while self._wanted() and not taking.done():
                while self._blocks:
                    process.stdin.write(self._blocks.popleft())
                    await process.stdin.drain()
                await asyncio.sleep(LOOK_S)
        except ConnectionError:
            pass  # it has ended; what it said stands
        finally:
            taking.cancel()
            with suppress(ProcessLookupError):
                process.kill()
            await process.wait()

    async def _take(self, said: asyncio.StreamReader) -> None:
        lowered_db = 0.0
        while line := await said.readline():
            told = msgspec.json.decode(line, type=RoomChange)
            self.change_db = told.change_db
            self.alarm = None if told.trouble is None else f"Whether the room is too loud is not known. {told.trouble}"
            if told.louder_db >= max(DRIFT_DB, lowered_db + MORE_DB):
                self._louder(told.louder_db - lowered_db)
                lowered_db = told.louder_db
