"""Explains faults that msgspec and tomllib find, in plain words."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterator, Mapping

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
    re.compile(r" with a timezone component"): "",  # the text for a datetime says so already
    re.compile(r" of length >= "): " with a length of at least ",
    re.compile(r" of length <= "): " with a length of at most ",
    re.compile(r" >= (\S+)"): r" of at least \1",
    re.compile(r" <= (\S+)"): r" of at most \1",
    re.compile(r" > (\S+)"): r" above \1",
    re.compile(r" < (\S+)"): r" below \1",
}
_PLACE = re.compile(r" - at `[^`]*`$")
_SHOWN = 60
"""The most characters of a file's text that a message shows."""
_CODE = re.compile(r"`([^`]*)`")
_AT_LINE = re.compile(r" \((?:at line (?P<line>\d+), column \d+|at end of document)\)$")
_SLIPS = {
    re.compile(r"[“”„‟«»‘’‚]"): 'Write text in straight quotes: ".',
    re.compile(r"[\u00a0\u202f\ufeff]"): "Write a plain blank: there is a character that only looks like one.",
    re.compile(r"=\s*\d{1,2}[./]\d{1,2}[./]\d{2,4}"): "Write a date as year-month-day, such as 2026-03-02.",
    re.compile(r"=\s*(?:\[\s*)?\d{1,2}:\d\d\s*[-–]"): 'Write a span in quotes, such as "10:00-18:00".',
    re.compile(r"=\s*[-+]?\d+,\d+\s*$"): "Write a number with a point, such as 1.5.",
    re.compile(r"=\s*(?!(?:true|false|nan|inf)\b)[^\W\d]"): "Write text in quotes.",
    re.compile(r"^\s*[\w-]+\s*:"): "Write = between a key and its value.",
    re.compile(r"^\s*\[[^\]]*$"): "Close the brackets around the name of the table.",
}
"""Frequent mistakes, by the line on which they are noticed, without its texts and comments."""
_QUOTED = re.compile(
    r"""\"{3}(?:\\[\s\S]?|[^\\])*?(?:"{3,5}|\Z)|'{3}[\s\S]*?(?:'{3,5}|\Z)|"(?:\\.|[^"\\\n])*+"?|'[^'\n]*+'?|#.*"""
)
"""Quoted texts and comments, which may contain anything.

One without an end counts too: else each quote in it would be tried again, and a line of escaped ones never be done.
"""
_EXACT = {
    re.compile(r"Cannot declare .* twice"): "This table appears a second time. Put all of it into the first one.",
    re.compile(r"Cannot overwrite a value|Duplicate"): "This key appears a second time. Keep one of them.",
    re.compile(r"Invalid date or datetime"): "There is no such day or time. Look it up in a calendar.",
    re.compile(r"Illegal character '\\n'|Unterminated string"): "End the text with the quote that it began with.",
}
"""Errors of tomllib with only one possible mend."""
_VAGUE = {
    re.compile(r"Unclosed array"): "End the list with ], and put a comma between its values.",
}
"""Errors of tomllib for lines without a known mistake."""


def explained(error: msgspec.ValidationError) -> str:
    """The sentence that names the valid values."""
    text = _ENCODED.sub(lambda match: f"Expected `{match[1]}`", _PLACE.sub("", str(error)))
    if not text.startswith("Expected "):
        return _CODE.sub(r"\1", text).rstrip(".") + "."
    wish = _CODE.sub(lambda match: _in_words(match[1]), text.removeprefix("Expected ").split(", got ")[0])
    for bound, words in _BOUNDS.items():
        wish = bound.sub(words, wish)
    return f"Write {wish}."


def shortened(text: str) -> str:
    """A text from a file, shortened."""
    return text if len(text) <= _SHOWN else text[: _SHOWN - 1] + "…"


def toml_explained(error: tomllib.TOMLDecodeError, text: str) -> tuple[str, tuple[str, str]]:
    """The place in the file, as in ": line 3", or nothing for its end; the text there and the mend."""
    message = str(error)
    place = _AT_LINE.search(message)
    told = message[: place.start()] if place else message
    plainly = f"Correct it there or just before ({told[:1].lower()}{told[1:]})."
    if place is None or place["line"] is None:
        return "", ("The file ends too early.", next(_mends(_EXACT | _VAGUE, told), plainly))
    number = int(place["line"])
    lines = text.split("\n")[:number]  # the text after it was not read and may be anything
    line, bare = lines[-1], _QUOTED.sub(_emptied, "\n".join(lines)).split("\n")[-1]
    mends = (*_mends(_EXACT, told), *_mends(_SLIPS, bare), *_mends(_VAGUE, told), plainly)
    return f": line {number}", (f"'{shortened(line.strip())}' is not valid TOML.", mends[0])


def too_long(text: str) -> str:
    """The place in the file where a number has too many digits, as in ": line 3"."""
    bare = _QUOTED.sub(_emptied, text)
    number = max(re.finditer(r"[\d_]+", bare), key=lambda digits: len(digits[0]))
    return f": line {bare.count(chr(10), 0, number.start()) + 1}"


def _emptied(quoted: re.Match[str]) -> str:
    """A text reduced to its quotes, if it has any, on as many lines."""
    return ("" if quoted[0].startswith("#") else '""') + "\n" * quoted[0].count("\n")


def _mends(mends: Mapping[re.Pattern[str], str], text: str) -> Iterator[str]:
    return (mend for found, mend in mends.items() if found.search(text))


def _in_words(types: str) -> str:
    """`float | null` in words for people; it does not mention that a key may be left out."""
    return " or ".join(TYPES.get(name, name) for name in types.split(" | ") if name != "null")
