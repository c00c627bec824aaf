"""Questions and commands to a running house."""

from __future__ import annotations

import json
import socket
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from pythonosc.osc_message import OscMessage, ParseError
from pythonosc.osc_message_builder import OscMessageBuilder

import residue
from residue.control.addresses import DONE_REPLY
from residue.control.settings import DEFAULT_PORT
from residue.loudness.caps.caps import level_in_words
from residue.mapping.trust import DOUBTFUL
from residue.problems import stopping

ATTEMPTS = 3
WAIT_S = 1.0
_PADDING = 4_000
"""Answers are bounded by the length of the question (surface.MOST_TIMES_LONGER); this leaves room for 64 kB."""
_LONGEST = 1 << 16
_NO_STATUS = "Its answer is not a status of residue"
_MEND = "Start it with `residue run`, or name where it listens with --at HOST:PORT; room.toml says whom it answers."


def status(host: str = "127.0.0.1", port: int = DEFAULT_PORT) -> dict[str, Any]:
    """The status of the house that listens there. Raises ProblemError where nobody answers."""
    question = OscMessageBuilder("/house/status")
    question.add_arg(bytes(_PADDING), "b")
    return _read(_asked(question.build().dgram, host.strip("[]"), port, attempts=ATTEMPTS), f"{host}:{port}")


def command(
    path: str,
    arguments: Sequence[float | str] = (),
    *,
    host: str = "127.0.0.1",
    port: int = DEFAULT_PORT,
    key: str | None = None,
) -> None:
    """Send one command of residue.control.addresses to the house that listens there.

    key: of room.toml, where it has one. Raises ProblemError where nobody answers, or the house refuses.
    It is sent once: a command that is repeated because its answer was lost could act twice.
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


def in_words(told: Mapping[str, Any]) -> list[str]:
    """A status for a person, a few lines. Of a house of another version, what it does tell."""
    lines: list[str] = []
    untold = False
    for fact in (_house, _performance, _readings, _caps, _swaps, _ears, _alarms, _events):
        try:
            lines += list(fact(told))
        except (KeyError, TypeError, AttributeError):
            untold = True
    if untold:
        lines.append(
            f"Parts of the status are missing: the house runs another version than this command, {residue.__version__}."
        )
        lines.append("Restart the house, so that it runs the installed version.")
    return lines


def _house(told: Mapping[str, Any]) -> Iterator[str]:
    yield f"The house is {told['house']}: {told['health']['why'].removesuffix('.')}."


def _performance(told: Mapping[str, Any]) -> Iterator[str]:
    if told["performance"]:
        minutes, seconds = divmod(int(told["playhead_s"] or 0), 60)
        section = f", section {told['section']}" if told["section"] else ""
        yield f"{told['performance']} is at {minutes}:{seconds:02}{section}."


def _readings(told: Mapping[str, Any]) -> Iterator[str]:
    """What is read of the performer's body; a value that is not measured now is told as such."""
    for name, reading in told["readings"].items():
        value = "" if reading["value"] is None else f" {reading['value']:.4g},"
        unknown = ", not measured now" if reading["trust"] < DOUBTFUL else ""
        yield f"{name}:{value} trust {reading['trust']:.2f}{unknown}."


def _caps(told: Mapping[str, Any]) -> Iterator[str]:
    for cap in told["caps"]:
        level = "silence" if cap["level"] is None else level_in_words(cap["level"], cap["unit"])
        yield f"{cap['name']}: {level}, limit {level_in_words(cap['limit'], cap['unit'])}."


def _swaps(told: Mapping[str, Any]) -> Iterator[str]:
    for swap in told["health"]["swaps"]:
        why = f" {swap['why']}" if swap["why"] else ""
        yield f"{swap['bag']} in the place of {swap['performance']}, {swap['when']}: {swap['state']}.{why}"


def _ears(told: Mapping[str, Any]) -> Iterator[str]:
    if not told["health"]["ears_known"]:
        yield "Levels at the ear are unknown: the room is not calibrated."


def _alarms(told: Mapping[str, Any]) -> Iterator[str]:
    alarms = told["health"]["alarms"]
    yield from (f"Look at: {alarm}" for alarm in alarms)
    if not alarms:
        yield "All is well."


def _events(told: Mapping[str, Any]) -> Iterator[str]:
    yield from (f"{event['time']}  {event['kind']}: {event['text']}" for event in told["events"][-5:])


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
