"""`residue verify`: fixity and completeness of an archived performance."""

from __future__ import annotations

from pathlib import Path

import click

from residue.cli.common import progress, tell
from residue.problems import Severity


@click.command()
@click.argument("bag", type=click.Path(path_type=Path))
@click.pass_context
def verify(ctx: click.Context, bag: Path) -> None:
    """Say whether an archived performance is complete and unchanged since it was sealed (BagIt, RFC 8493).

    For the artist who hands it over, and for whoever keeps it. Exit status 1 where it is not.

    \b
    Example: residue verify archives/night-dough/performances/first-batch
    """
    from residue.archive.fixity import verify as verified

    with progress("Verifying") as bar:
        findings = verified(bag, bar)
    tell(tuple(findings))
    whole = not any(finding.severity is Severity.STOPS for finding in findings)
    click.echo(f"{bag}: {'complete and unchanged' if whole else 'NOT as it was sealed'}")
    ctx.exit(0 if whole else 1)
