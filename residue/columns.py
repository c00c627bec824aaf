"""Breaks lines for a terminal."""

from __future__ import annotations

import re
import shutil
import textwrap

_WIDEST = 100
"""Columns of a longer line that a person still reads with ease; common practice, no source."""
_LEAST_BESIDE = 30
"""Columns that the last column of a table must have, else its rest begins further left."""
_COMMAND = re.compile(r" *(sudo )?residue ")
"""A command to copy: a line end within it would end it where it is pasted."""
_BETWEEN = re.compile(r"^(?:- | +)| {2,}")
"""What stands before a column of a table, the first one included."""


def columns() -> int:
    """The width of the text on this terminal."""
    return min(shutil.get_terminal_size().columns, _WIDEST)


def folded(text: str, width: int) -> str:
    """Text with no line longer than `width`, unless it is a command to copy, or a single word is longer.

    The rest of a line begins below the last column of a table, or else as far right as the line itself.
    """
    return "\n".join(_folded_line(line, width) for line in text.split("\n"))


def _folded_line(line: str, width: int) -> str:
    if len(line) <= width or _COMMAND.match(line):
        return line
    begins = [blanks.end() for blanks in _BETWEEN.finditer(line) if blanks.end() <= width - _LEAST_BESIDE]
    wrapper = textwrap.TextWrapper(
        width,
        subsequent_indent=" " * (begins[-1] if begins else 0),
        expand_tabs=False,
        replace_whitespace=False,
        break_long_words=False,
        break_on_hyphens=False,
    )
    return wrapper.fill(line)
