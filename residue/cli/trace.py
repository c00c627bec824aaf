"""`residue trace`: what nodes of the graph give over time."""

from __future__ import annotations

from pathlib import Path

import click

from residue.cli.common import INSTALLATION, progress


@click.command()
@INSTALLATION
@click.option("--performance", required=True, help="Name of the performance, as in performances/.")
@click.option("--signal", "signals", required=True, multiple=True, metavar="NODE", help="A node; may be repeated.")
@click.option("--out", required=True, type=click.Path(path_type=Path, dir_okay=False), help="The CSV to write.")
@click.option("--every-s", type=click.FloatRange(min=0.0005, max=60), default=0.01, help="Time from row to row.")
def trace(installation: Path, performance: str, signals: tuple[str, ...], out: Path, every_s: float) -> None:
    """Write what nodes of the graph give over time into CSV tables; events go into a second file beside.

    For the artist, who tunes a mapping.

    \b
    Example: residue trace archives/night-dough --performance first-batch --signal effort --out effort.csv
    """
    from residue.installation.load import load
    from residue.runtime import tracing
    from residue.runtime.folders import cache_folder
    from residue.runtime.preparation import open_performance

    loaded = load(installation)
    with progress("Tracing") as bar:
        opened = open_performance(loaded, performance, cache_folder(), bar)
        rows, events = tracing.trace(loaded, opened, signals, out, every_s, bar)
    click.echo(f"{out}: {rows} rows; {tracing.events_path(out)}: {events} events", err=True)
