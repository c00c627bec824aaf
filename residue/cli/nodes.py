"""`residue nodes`: the catalogue of nodes."""

from __future__ import annotations

import click

from residue.cli.screen import say


@click.command()
@click.argument("kind", required=False)
def nodes(kind: str | None) -> None:
    """List the kinds of node that a piece may name, or describe one KIND.

    For the artist, who writes a piece. Kinds of packages installed beside are listed with them.

    \b
    Example: residue nodes layers
    """
    from residue.mapping.catalogue import listing, page
    from residue.mapping.nodes import catalogue, unknown_kind
    from residue.problems import stopping

    kinds = catalogue()
    if kind is None:
        say(listing(kinds))
        return
    if kind not in kinds:
        raise stopping("residue nodes", *unknown_kind(kind, kinds))
    say(page(kinds[kind]))
