"""What msgspec finds wrong with a value, in a person's words."""

from __future__ import annotations

import re

import msgspec

TYPES = {
    "float": "a number",
    "int": "a whole number",
    "str": "text in quotes",
    "bool": "true or false",
    "array": "a list in [ ]",
    "object": "a table",
    "null": "nothing",
    "time": "a time such as 22:10:00",
    "date": "a date such as 2026-03-02",
    "datetime": "a date and time with offset, such as 2026-03-02T22:10:00+01:00",
}
_ENCODED = re.compile(r"^Invalid RFC3339 encoded (date|time|datetime)$")
_BOUNDS = {
    re.compile(r" with a timezone component"): "",  # the wish for a datetime says so already
    re.compile(r" of length >= "): " with a length of at least ",
    re.compile(r" of length <= "): " with a length of at most ",
    re.compile(r" >= (\S+)"): r" of at least \1",
    re.compile(r" <= (\S+)"): r" of at most \1",
    re.compile(r" > (\S+)"): r" above \1",
    re.compile(r" < (\S+)"): r" below \1",
}
_PLACE = re.compile(r" - at `\$(?P<path>[^`]*)`$")
_CODE = re.compile(r"`([^`]*)`")


def explained(error: msgspec.ValidationError) -> tuple[str, str]:
    """Where within the value the fault lies, as a key path, and the sentence that says what may stand there."""
    text = str(error)
    place = _PLACE.search(text)
    path = place["path"] if place else ""
    text = text[: place.start()] if place else text
    text = _ENCODED.sub(lambda match: f"Expected `{match[1]}`", text)
    if not text.startswith("Expected "):
        return path, _CODE.sub(r"\1", text) + "."
    wish = _CODE.sub(lambda match: _in_words(match[1]), text.removeprefix("Expected ").split(", got ")[0])
    for bound, words in _BOUNDS.items():
        wish = bound.sub(words, wish)
    return path, f"Write {wish}."


def _in_words(types: str) -> str:
    """`float | null` as a person says it; that a key may be left out goes without saying."""
    return " or ".join(TYPES.get(name, name) for name in types.split(" | ") if name != "null")
