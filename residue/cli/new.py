"""`residue new`: the files of a new installation."""

from __future__ import annotations

from pathlib import Path

import click

from residue.cli.screen import say
from residue.installation.shapes import SHAPES


@click.command()
@click.argument("folder", type=click.Path(path_type=Path))
@click.option(
    "--shape", type=click.Choice(SHAPES), default=SHAPES[0], show_default=True, help="The sensor that the piece reads."
)
@click.option(
    "--piece",
    type=click.Path(path_type=Path, exists=True),
    metavar="PIECE",
    help="Copy this piece.toml, or that of an installation, instead of a shape.",
)
def new(folder: Path, shape: str, piece: Path | None) -> None:
    """Write a new installation into FOLDER: piece, room, hours and sensors, with comments to fill in.

    For the artist and the gallery technician. Nothing is calibrated: `residue check` says what is missing then.

    \b
    Example: residue new ~/dough --shape muscle
    """
    from residue.installation.new import new_installation

    for path in new_installation(folder, piece=piece, shape=shape):
        say(f"Written: {path}")
    say(f"Bring a performance into {folder / 'performances'} (residue ingest, residue record);")
    say(f"then: residue check {folder}")
