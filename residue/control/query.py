"""Asking a running house how it is."""

from __future__ import annotations

import json
import socket
from collections.abc import Iterator, Mapping
from typing import Any

from pythonosc.osc_message import OscMessage, ParseError
from pythonosc.osc_message_builder import OscMessageBuilder

import residue
from residue.control.settings import DEFAULT_PORT
from residue.loudness.caps.caps import level_in_words
from residue.mapping.trust import DOUBTFUL
from residue.problems import stopping

ATTEMPTS = 3
WAIT_S = 1.0
_PADDING = 4_000
"""Answers are bounded by the length of the question (surface.MOST_TIMES_LONGER); this leaves room for 64 kB."""
_LONGEST = 1 << 16


def status(host: str = "127.0.0.1", port: int = DEFAULT_PORT) -> dict[str, Any]:
    """The status of the house that listens there. Raises ProblemError where nobody answers."""
    question = OscMessageBuilder("/house/status")
    question.add_arg(bytes(_PADDING), "b")
    return _asked(question.build().dgram, host.strip("[]"), port)


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


def _asked(question: bytes, host: str, port: int) -> dict[str, Any]:
    try:
        family, kind, protocol, _, target = socket.getaddrinfo(host, port, type=socket.SOCK_DGRAM)[0]
        with socket.socket(family, kind, protocol) as asking:
            asking.connect(target)
            asking.settimeout(WAIT_S)
            for _ in range(ATTEMPTS):
                asking.send(question)
                try:
                    return _read(asking.recv(_LONGEST))
                except TimeoutError:
                    continue
        reason = "Nobody answers."
    except (OSError, ParseError, ValueError) as error:
        refused = isinstance(error, ConnectionRefusedError)
        reason = "Nobody listens there." if refused else f"Its answer is not a status of residue: {error}."
    mend = "Start it with `residue run`, or name where it listens with --at HOST:PORT; room.toml says whom it answers."
    raise stopping(f"{host}:{port}", reason, mend)


def _read(answer: bytes) -> dict[str, Any]:
    (text,) = OscMessage(answer).params
    found = json.loads(text)
    if not isinstance(found, dict):
        raise ValueError("the answer is not an object")
    return found
