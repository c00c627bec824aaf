"""What the commands print: on a terminal lines are broken between words, elsewhere a line stays a line."""

from __future__ import annotations

import sys

import click

from residue.columns import columns, folded


def say(text: str, *, err: bool = False) -> None:
    """Prints text, on standard output or standard error."""
    stream = sys.stderr if err else sys.stdout
    click.echo(folded(text, columns()) if stream.isatty() else text, err=err)
