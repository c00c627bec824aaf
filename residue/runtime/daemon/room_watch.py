"""The house's end of the process that listens while it is open: hands over what was sent, and takes what it tells."""

from __future__ import annotations

import asyncio
import logging
from collections import deque
from collections.abc import Callable
from contextlib import suppress
from time import monotonic

import msgspec
import numpy as np
from numpy.typing import NDArray

from residue.processes import command_of
from residue.proof.judging import DRIFT_DB
from residue.proof.messages import HEAD, HeardSecond, RoomChange, Watch, WatchTold
from residue.proof.settings import Microphone

logger = logging.getLogger(__name__)

MOST_BLOCKS = 300
"""Blocks that may wait, half a minute; the oldest are dropped, and a window begins anew."""
LOOK_S = 0.25
MORE_DB = 0.5
"""A room that was found to be louder is told again once it is so much louder still."""
AGAIN_S = 60.0
"""After the process has ended by itself: so long until it is begun again; our choice."""
SILENT_S = 60.0
"""A process that says nothing for so long does not hear: it would say so every second; our choice."""
NOT_KNOWN = "Whether the room is too loud is not known."
ENDED = "The process that listens has ended. It is begun again every minute."
KNOWN_AGAIN = "The microphone hears the room again: whether it is too loud is watched."


class RoomWatch:
    """Nothing without a microphone that listens while the house is open. alarm: why nothing can be told.

    wanted: whether the house is open. louder: called with the dB by which the room has become louder since the last
    call. changed: called with the alarm when it is another one, and with None when all is well again. heard: called
    with what each window tells.
    """

    def __init__(
        self,
        microphone: Microphone | None,
        outputs: int,
        wanted: Callable[[], bool],
        louder: Callable[[float], None],
        changed: Callable[[str | None], None],
        heard: Callable[[RoomChange], None] = lambda _heard: None,
    ) -> None:
        self._microphone = microphone if microphone is not None and microphone.while_open else None
        self._outputs, self._wanted, self._louder, self._changed, self._heard = outputs, wanted, louder, changed, heard
        self._blocks: deque[bytes] = deque(maxlen=MOST_BLOCKS)
        self._listening, self._said_s = False, 0.0
        self._deaf: str | None = None
        """Why it does not hear."""
        self._unclear: str | None = None
        """Why the last window tells nothing."""
        self.last: RoomChange | None = None
        """What the last window told, for the status."""

    @property
    def alarm(self) -> str | None:
        """A sentence or two; None while the room is watched, and where nobody asked for that."""
        trouble = self._deaf or self._unclear
        return None if trouble is None else f"{NOT_KNOWN} {trouble}"

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
                    ended = await self._listen(self._microphone)
                except Exception:  # a fault of our own; the house plays on
                    logger.exception("The room cannot be watched")
                    ended = "The program has a fault; its journal says more."
                self._listening, self.last = False, None
                if self._wanted():
                    self._tell(deaf=self._deaf or ended)
                    await asyncio.sleep(AGAIN_S)
            else:
                self._deaf = self._unclear = None  # while it is closed nothing has to be known
            await asyncio.sleep(LOOK_S)

    def _tell(self, *, deaf: str | None, unclear: str | None = None) -> None:
        """What is so from now on; a change is passed on."""
        before = self.alarm
        self._deaf, self._unclear = deaf, unclear
        if self.alarm != before:
            self._changed(self.alarm)

    async def _listen(self, microphone: Microphone) -> str:
        """Listens until the house closes or nothing is heard; why it ended, with what happens next."""
        pipe, nothing = asyncio.subprocess.PIPE, asyncio.subprocess.DEVNULL
        process = await asyncio.create_subprocess_exec(
            *command_of("residue.proof.watching", []), stdin=pipe, stdout=pipe, stderr=nothing
        )
        if process.stdin is None or process.stdout is None:
            return ENDED
        self._said_s = monotonic()
        asked = Watch(device=microphone.device, input=microphone.input, outputs=self._outputs)
        taking = asyncio.create_task(self._take(process.stdout))
        giving = asyncio.create_task(self._give(process.stdin, asked, taking.done))
        try:
            while self._wanted() and not taking.done():
                if monotonic() > self._said_s + SILENT_S:
                    return "The microphone does not answer: look at its cable. It is tried again every minute."
                await asyncio.sleep(LOOK_S)
            return ENDED
        finally:
            taking.cancel()
            with suppress(ProcessLookupError):
                process.kill()
            process.stdin.close()
            await asyncio.gather(taking, giving, process.stdin.wait_closed(), process.wait(), return_exceptions=True)

    async def _give(self, asked: asyncio.StreamWriter, first: Watch, over: Callable[[], bool]) -> None:
        """The question, and then what is sent, until it is over or nobody takes it."""
        asked.write(msgspec.json.encode(first) + b"\n")
        self._blocks.clear()
        self._listening = True
        with suppress(ConnectionError):  # the process has ended; whoever listens to it knows
            while not over():
                while self._blocks:
                    asked.write(self._blocks.popleft())
                    await asked.drain()
                await asyncio.sleep(LOOK_S)

    async def _take(self, said: asyncio.StreamReader) -> None:
        lowered_db = 0.0
        while line := await said.readline():
            told = msgspec.json.decode(line, type=WatchTold)
            self._said_s = monotonic()
            if isinstance(told, HeardSecond):
                self._tell(deaf=told.trouble, unclear=None if told.trouble else self._unclear)
                continue
            self.last = told
            self._heard(told)
            self._tell(deaf=None, unclear=told.trouble)
            if told.louder_db >= max(DRIFT_DB, lowered_db + MORE_DB):
                self._louder(told.louder_db - lowered_db)
                lowered_db = told.louder_db
