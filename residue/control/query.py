"""Questions and commands to a running house."""

from __future__ import annotations

import json
import socket
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from pythonosc.osc_message import OscMessage, ParseError
from pythonosc.osc_message_builder import OscMessageBuilder

from residue.control.addresses import DONE_REPLY
from residue.control.settings import DEFAULT_PORT
from residue.problems import stopping

ATTEMPTS = 3
WAIT_S = 1.0
_PADDING = 4_000
"""Answers are bounded by the length of the question (surface.MOST_TIMES_LONGER); this leaves room for 64 kB."""
_LONGEST = 1 << 16
_NO_STATUS = "Its answer is not a status of residue"
_MEND = (
    "Start it with `residue run`, or name where it listens with --at HOST:PORT; room.toml says whom it answers. "
    "Until a restart, a house listens where room.toml said when it was started."
)

_ANOTHER = (
    "To mean that one, name its folder, or none. To play this one too, give it another control.port in its room.toml. "
    "If both are one folder that has two names, as in a container, add --at {where}."
)


def status(host: str = "127.0.0.1", port: int = DEFAULT_PORT, of: Path | None = None) -> dict[str, Any]:
    """The status of the house at an address. Raises ProblemError without an answer, or where another house answers.

    of: the folder of the installation that is meant.
    """
    question = OscMessageBuilder("/house/status")
    question.add_arg(bytes(_PADDING), "b")
    where = f"{host}:{port}"
    told = _read(_asked(question.build().dgram, host.strip("[]"), port, attempts=ATTEMPTS), where)
    playing = told.get("installation")
    if of is not None and playing is not None and playing != str(of.resolve()):
        raise stopping(where, f"The house that listens there plays {playing}, not {of}.", _ANOTHER.format(where=where))
    return told


def command(
    path: str,
    arguments: Sequence[float | str] = (),
    *,
    host: str = "127.0.0.1",
    port: int = DEFAULT_PORT,
    key: str | None = None,
) -> str:
    """Sends one command of residue.control.addresses to the house at an address; its answer.

    key: that of room.toml, if it has one. Raises ProblemError without an answer, or where the house refuses. It is sent
    once: a command that is repeated because its answer was lost could act twice.
    """
    built = OscMessageBuilder(path)
    for argument in arguments:
        built.add_arg(argument, "s" if isinstance(argument, str) else "f")
    if key is not None:
        built.add_arg(key, "s")
    answer = _asked(built.build().dgram, host.strip("[]"), port, attempts=1)
    if answer.address != DONE_REPLY:
        why = str(answer.params[0]) if answer.params else answer.address
        mend = "If it asks for a key, name the installation: the command reads the key from its room.toml."
        raise stopping(f"{host}:{port}", why, mend)
    return " ".join(str(told) for told in answer.params[1:]) or "Done."


def _asked(question: bytes, host: str, port: int, *, attempts: int) -> OscMessage:
    try:
        family, kind, protocol, _, target = socket.getaddrinfo(host, port, type=socket.SOCK_DGRAM)[0]
        with socket.socket(family, kind, protocol) as asking:
            asking.connect(target)
            asking.settimeout(WAIT_S)
            for _ in range(attempts):
                asking.send(question)
                try:
                    return OscMessage(asking.recv(_LONGEST))
                except TimeoutError:
                    continue
        reason = "Nobody answers."
    except (OSError, ParseError) as error:
        refused = isinstance(error, ConnectionRefusedError)
        reason = "Nobody listens there." if refused else f"{_NO_STATUS}: {error}."
    raise stopping(f"{host}:{port}", reason, _MEND)


def _read(answer: OscMessage, where: str) -> dict[str, Any]:
    try:
        (text,) = answer.params
        found = json.loads(text)
    except (ValueError, TypeError) as error:
        raise stopping(where, f"{_NO_STATUS}: {error}.", _MEND) from error
    if not isinstance(found, dict):
        raise stopping(where, f"{_NO_STATUS}: the answer is not an object.", _MEND)
    return found
