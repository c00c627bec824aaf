"""`residue draw`: the mapping graph as a picture."""

from __future__ import annotations

from pathlib import Path

import click

from residue.cli.common import INSTALLATION, SVG, tell
from residue.cli.screen import say


@click.command()
@INSTALLATION
@click.option("--out", required=True, type=SVG, help="The SVG to write.")
def draw(installation: Path, out: Path) -> None:
    """Draw the mapping graph of a piece, from the body on the left to the outputs on the right.

    For the artist, and for whoever has to understand a piece. Colours and strokes tell the kinds of signal.

    \b
    Example: residue draw archives/night-dough --out night-dough.svg
    """
    from residue.archive.beside import asked_for
    from residue.installation.drafts import sketch
    from residue.mapping.drawing import draw as drawn

    graph, findings = sketch(installation)
    tell(findings)
    with asked_for(out) as making:
        making.write_text(drawn(graph), encoding="utf-8")
    say(f"{out}: {len(graph.nodes)} nodes", err=True)
