"""`residue show`: what is in an archived performance."""

from __future__ import annotations

from pathlib import Path

import click

from residue.cli.screen import say


@click.command()
@click.argument("bag", type=click.Path(path_type=Path))
def show(bag: Path) -> None:
    """Show what is in an archived performance: who, when, every channel with a sketch of it, marks, consent.

    \b
    Example: residue show archives/night-dough/performances/first-batch
    """
    from residue.archive.bag import open_bag
    from residue.archive.summary import summarise

    say(summarise(open_bag(bag)).rstrip("\n"))
