"""`residue ingest`: from what came out of the evening to one sealed performance."""

from __future__ import annotations

import shlex
from pathlib import Path

import click

from residue.cli.common import progress
from residue.cli.screen import say
from residue.runtime.system.clock import SystemClock

_PATH = click.Path(path_type=Path)


@click.command()
@click.argument("sources", nargs=-1, required=True, type=_PATH)
@click.option("--into", "bag", required=True, type=_PATH, help="The bag to make; must not exist yet.")
@click.option(
    "--describe", "described", type=_PATH, help="Your facts about the recording; without it a template is written."
)
def ingest(sources: tuple[Path, ...], bag: Path, described: Path | None) -> None:
    """Seal recordings (sound, EDF, XDF, tables, arrays and what else recorders write) as one archived performance.

    For the artist. SOURCES are files or folders; they are only read. Without --describe a template with everything
    that could be found out is written beside the bag for you to complete. What was begun is continued.

    \b
    Example: residue ingest /media/stick --into dough/performances/first-batch
    """
    from residue.archive.ingest.describe import read_description
    from residue.archive.ingest.run import ingest as ingested
    from residue.archive.ingest.run import write_template

    if described is None:
        template = bag.with_name(f"{bag.name}.describe.toml")
        write_template(list(sources), template)
        again = shlex.join(["residue", "ingest", *map(str, sources), "--into", str(bag), "--describe", str(template)])
        say(f"Written: {template}")
        say(f"Complete it, then:\n  {again}")
        return
    with progress("Ingesting") as bar:
        done = ingested(list(sources), bag, read_description(described), SystemClock().now().date(), bar)
    say(done.report)
    for words in done.private:
        say(f"Removed, because it may identify a person or a device: {words}")
    say(f"Sealed as {bag}, digest {done.bag.digest}")
