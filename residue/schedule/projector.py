"""A projector or display switched on and off over the network.

Source: PJLink specification, class 1, version 1.04 (JBMIA, 2013): section 2 form of commands, 4.1 POWR, 4.2 POWR?,
5.1 authentication.
"""

from __future__ import annotations

import asyncio
import contextlib
import hashlib

from residue.schedule.switching import SwitchError

PORT = 4352
_LONGEST_BYTES = 136
"""The longest line, by section 2."""
_ON_ITS_WAY = {True: {"1", "3"}, False: {"0", "2"}}
"""Answers to POWR? that mean on or warming up, and off or cooling down."""
_ERRORS = {
    "ERR1": "It does not know the command.",
    "ERR2": "It does not take the parameter.",
    "ERR3": "It is busy, warming up or cooling down.",
    "ERR4": "It reports a failure of its own.",
}


async def set_power(host: str, port: int, password: str, *, on: bool) -> None:
    """Switches the projector on or off; one that is warming up or cooling down counts.

    Raises SwitchError; OSError where it cannot be reached.
    """
    reader, writer = await asyncio.open_connection(host, port, limit=_LONGEST_BYTES)
    try:
        proof = _proof(await _line(reader), password)
        answer = await _ask(reader, writer, f"{proof}%1POWR {int(on)}")
        if answer == "ERR3" and await _ask(reader, writer, "%1POWR ?") in _ON_ITS_WAY[on]:
            return
        if answer != "OK":
            raise SwitchError(_ERRORS.get(answer, f"It answers '{answer}'."))
    finally:
        writer.close()
        with contextlib.suppress(OSError):
            await writer.wait_closed()


def _proof(greeting: str, password: str) -> str:
    """The prefix of the first command: nothing, or the digest of the projector's random number and the password."""
    match greeting.split(" "):
        case ["PJLINK", "0"]:
            return ""
        case ["PJLINK", "1", random]:
            return hashlib.md5(f"{random}{password}".encode(), usedforsecurity=False).hexdigest()
    raise SwitchError(f"Its greeting is not that of a projector: '{greeting}'.")


async def _ask(reader: asyncio.StreamReader, writer: asyncio.StreamWriter, command: str) -> str:
    writer.write(f"{command}\r".encode())
    answer = await _line(reader)
    if answer == "PJLINK ERRA":
        raise SwitchError("It refuses the password.")
    return answer.partition("=")[2]


async def _line(reader: asyncio.StreamReader) -> str:
    try:
        return (await reader.readuntil(b"\r")).decode("utf-8", "replace").strip()
    except (asyncio.IncompleteReadError, asyncio.LimitOverrunError) as error:
        raise SwitchError("It breaks off in the middle of an answer.") from error
