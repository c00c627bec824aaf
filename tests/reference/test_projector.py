"""PJLink, class 1, against what the specification (version 1.04, JBMIA, 2013) prints.

The projector here is a model of ours; its digest of the password is the specification's own example of section 5.1.
"""

from __future__ import annotations

import asyncio
import contextlib

import pytest

from residue.schedule.projector import set_power
from residue.schedule.switching import SwitchError

GREETING, PASSWORD, DIGEST = "PJLINK 1 498e4a67", "JBMIAProjectorLink", "5d8409bc1c3fa39749434aa3a5c38682"


def told(greeting: str, answers: dict[str, str], password: str, *, on: bool) -> list[str]:
    """What a projector that greets and answers so is told."""
    heard: list[str] = []
    hung_up = asyncio.Event()

    async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        writer.write(f"{greeting}\r".encode())
        with contextlib.suppress(asyncio.IncompleteReadError, ConnectionError):  # until it is hung up on
            while line := await reader.readuntil(b"\r"):
                heard.append(line.decode().rstrip("\r"))
                writer.write(f"{answers[heard[-1]]}\r".encode())
        writer.close()
        with contextlib.suppress(ConnectionError):
            await writer.wait_closed()
        hung_up.set()

    async def talk() -> None:
        server = await asyncio.start_server(serve, "127.0.0.1", 0)
        async with server:
            try:
                await set_power("127.0.0.1", server.sockets[0].getsockname()[1], password, on=on)
            finally:
                await hung_up.wait()

    asyncio.run(talk())
    return heard


def test_without_a_password_the_command_stands_alone() -> None:
    assert told("PJLINK 0", {"%1POWR 1": "%1POWR=OK"}, "", on=True) == ["%1POWR 1"]
    assert told("PJLINK 0", {"%1POWR 0": "%1POWR=OK"}, "", on=False) == ["%1POWR 0"]


def test_with_a_password_the_digest_goes_before_the_first_command() -> None:
    assert told(GREETING, {f"{DIGEST}%1POWR 1": "%1POWR=OK"}, PASSWORD, on=True) == [f"{DIGEST}%1POWR 1"]


@pytest.mark.parametrize(("on", "power"), [(True, "3"), (True, "1"), (False, "2"), (False, "0")])
def test_one_that_is_busy_getting_there_counts(*, on: bool, power: str) -> None:
    answers = {f"%1POWR {int(on)}": "%1POWR=ERR3", "%1POWR ?": f"%1POWR={power}"}
    assert told("PJLINK 0", answers, "", on=on) == [f"%1POWR {int(on)}", "%1POWR ?"]


@pytest.mark.parametrize(
    ("greeting", "answers", "message"),
    [
        (GREETING, {f"{DIGEST}%1POWR 1": "PJLINK ERRA"}, "It refuses the password."),
        ("PJLINK 0", {"%1POWR 1": "%1POWR=ERR1"}, "It does not know the command."),
        ("PJLINK 0", {"%1POWR 1": "%1POWR=ERR2"}, "It does not take the parameter."),
        (
            "PJLINK 0",
            {"%1POWR 1": "%1POWR=ERR3", "%1POWR ?": "%1POWR=2"},
            "It is busy, warming up or cooling down.",
        ),
        ("PJLINK 0", {"%1POWR 1": "%1POWR=ERR4"}, "It reports a failure of its own."),
        ("HTTP/1.1 400", {}, "Its greeting is not that of a projector: 'HTTP/1.1 400'."),
        ("PJLINK 0", {"%1POWR 1": "x" * 500}, "It breaks off in the middle of an answer."),
    ],
)
def test_a_refusal_is_told_in_words(greeting: str, answers: dict[str, str], message: str) -> None:
    with pytest.raises(SwitchError) as caught:
        told(greeting, answers, PASSWORD, on=True)
    assert str(caught.value) == message
