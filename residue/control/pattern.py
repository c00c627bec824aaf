"""OSC address patterns. Source: Open Sound Control 1.0 (2002), "OSC Message Dispatching and Pattern Matching"."""

from __future__ import annotations

import re
from collections.abc import Callable

_TOKEN = re.compile(
    r"(?P<star>\*+)|(?P<one>\?)|\[(?P<no>!?)(?P<set>[^\]]*)\]|\{(?P<words>[^}]*)\}|(?P<plain>[^*?\[\]{}])"
)
_RANGE = re.compile(r"(.)-(.)", re.DOTALL)


def matches(pattern: str, address: str) -> bool:
    """Whether a pattern names an address: part by part between the slashes, with upper and lower case different.

    The time is proportional to both lengths for every pattern: places are followed, nothing is retried.
    A pattern with a bracket left open or never opened matches nothing.
    """
    patterns, names = pattern.split("/"), address.split("/")
    return len(patterns) == len(names) and all(map(_part_matches, patterns, names))


def _part_matches(pattern: str, name: str) -> bool:
    reached, end = {0}, 0
    for token in _TOKEN.finditer(pattern):
        if token.start() != end:
            return False
        end = token.end()
        reached = _ADVANCES[token.lastgroup or "set"](token, name, reached)
        if not reached:
            return False
    return end == len(pattern) and len(name) in reached


def _star(token: re.Match[str], name: str, reached: set[int]) -> set[int]:
    return set(range(min(reached), len(name) + 1)) if reached else set()


def _one(token: re.Match[str], name: str, reached: set[int]) -> set[int]:
    return {place + 1 for place in reached if place < len(name)}


def _set(token: re.Match[str], name: str, reached: set[int]) -> set[int]:
    inside, ranges = token["set"], _RANGE.findall(token["set"])
    members = set(_RANGE.sub("", inside))

    def named(letter: str) -> bool:
        return letter in members or any(low <= letter <= high for low, high in ranges)

    return {place + 1 for place in reached if place < len(name) and named(name[place]) != bool(token["no"])}


def _words(token: re.Match[str], name: str, reached: set[int]) -> set[int]:
    words = token["words"].split(",")
    return {place + len(word) for place in reached for word in words if name.startswith(word, place)}


def _plain(token: re.Match[str], name: str, reached: set[int]) -> set[int]:
    return {place + 1 for place in reached if name.startswith(token["plain"], place)}


_ADVANCES: dict[str, Callable[[re.Match[str], str, set[int]], set[int]]] = {
    "star": _star,
    "one": _one,
    "set": _set,
    "words": _words,
    "plain": _plain,
}
