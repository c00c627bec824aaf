"""What the commands print: on a terminal lines are broken between words, elsewhere a line stays a line."""

from __future__ import annotations

import re
import shutil
import sys
import textwrap

import click

_WIDEST = 100
"""Columns of a longer line that a person still reads with ease; common practice, no source."""
_LEAST_BESIDE = 30
"""Columns that a last column of a table must have, else its rest begins further left."""
_BETWEEN = re.compile(r"^ +| {2,}")
"""What stands before a column of a table, the first one included."""


def say(text: str, *, err: bool = False) -> None:
    """Prints text, on standard output or standard error."""
    stream = sys.stderr if err else sys.stdout
    click.echo(folded(text, min(shutil.get_terminal_size().columns, _WIDEST)) if stream.isatty() else text, err=err)


def folded(text: str, columns: int) -> str:
    """Text with no line longer than `columns`, unless a single word is; it is copied from the terminal as it is.

    The rest of a line begins below the last column of a table, or else as far right as the line itself.
    """
    return "\n".join(_folded_line(line, columns) for line in text.split("\n"))


def _folded_line(line: str, columns: int) -> str:
    if len(line) <= columns:
        return line
    begins = [blanks.end() for blanks in _BETWEEN.finditer(line) if blanks.end() <= columns - _LEAST_BESIDE]
    wrapper = textwrap.TextWrapper(
        columns,
        subsequent_indent=" " * (begins[-1] if begins else 0),
        expand_tabs=False,
        replace_whitespace=False,
        break_long_words=False,
        break_on_hyphens=False,
    )
    return wrapper.fill(line)
