"""The house's end of the process that listens for a proof: it is begun, asked, and killed where it does not answer."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from contextlib import suppress
from typing import TypeVar

import msgspec

from residue.processes import command_of
from residue.proof.hearing import HeardSweeps
from residue.proof.messages import BEFORE_S, Listen, Ordered, Ready

ANSWER_S = 60.0
"""For the microphone to open, and for the figures to be worked out; our choice."""
_POLL_S = 0.25

T = TypeVar("T")


class _HeldError(Exception):
    """Somebody wants silence."""


async def hear(asked: Listen, play: Callable[[], float], held: Callable[[], bool]) -> HeardSweeps:
    """What a process hears. play: orders the sound, and gives the monotonic time of that. held: whether to give up."""
    pipe, nothing = asyncio.subprocess.PIPE, asyncio.subprocess.DEVNULL
    process = await asyncio.create_subprocess_exec(
        *command_of("residue.proof.listening", []), stdin=pipe, stdout=pipe, stderr=nothing
    )
    try:
        if process.stdin is None or process.stdout is None:
            return HeardSweeps(trouble="The process that listens cannot be asked.")
        process.stdin.write(msgspec.json.encode(asked) + b"\n")
        if (await _line(process.stdout, Ready, ANSWER_S, held)).hears:
            await asyncio.sleep(BEFORE_S)
            process.stdin.write(msgspec.json.encode(Ordered(ordered_s=play())) + b"\n")
        return await _line(process.stdout, HeardSweeps, asked.listen_s + ANSWER_S, held)
    except _HeldError:
        return HeardSweeps(trouble="Somebody held the house meanwhile.")
    except (TimeoutError, msgspec.DecodeError, ConnectionError):
        return HeardSweeps(trouble="The microphone does not answer: look at its cable.")
    finally:
        with suppress(ProcessLookupError):
            process.kill()
        await process.wait()


async def _line(said: asyncio.StreamReader, kind: type[T], within_s: float, held: Callable[[], bool]) -> T:
    """The next line of the process that listens."""
    reading = asyncio.ensure_future(said.readline())
    try:
        async with asyncio.timeout(within_s):
            while not reading.done():
                await asyncio.wait({reading}, timeout=_POLL_S)
                if held():
                    raise _HeldError
    finally:
        reading.cancel()
    return msgspec.json.decode(reading.result(), type=kind)
