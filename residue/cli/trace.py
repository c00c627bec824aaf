"""`residue trace`: what nodes of the graph give over time."""

from __future__ import annotations

from pathlib import Path

import click

from residue.cli.common import INSTALLATION, PICTURE, TIME_S, FiniteRange, progress, tell
from residue.cli.screen import say

_FILE = click.Path(path_type=Path, dir_okay=False)


@click.command()
@INSTALLATION
@click.option("--performance", required=True, help="Name of the performance, as in performances/.")
@click.option("--signal", "signals", required=True, multiple=True, metavar="NODE", help="A node; may be repeated.")
@click.option("--out", required=True, type=_FILE, help="The CSV to write.")
@click.option("--picture", type=PICTURE, help="Draw it as well (PNG, SVG).")
@click.option("--every-s", type=FiniteRange(min=0.0005, max=60), default=0.01, help="Seconds from row to row.")
@click.option("--from-s", type=TIME_S, default=0.0, help="Begin at this second.")
@click.option("--to-s", type=TIME_S, show_default="the end", help="End at this second.")
def trace(
    installation: Path,
    performance: str,
    signals: tuple[str, ...],
    out: Path,
    picture: Path | None,
    every_s: float,
    from_s: float,
    to_s: float | None,
) -> None:
    """Write what nodes of the graph give over time into CSV tables; events go into a second file beside.

    For the artist, who tunes a mapping. A sound is shown by its highest magnitude from row to row.

    \b
    Example: residue trace . --performance first-batch --signal strain --out a.csv
    """
    from residue.installation.drafts import draft
    from residue.mapping.signals import frame_at
    from residue.runtime.offline import tracing
    from residue.runtime.offline.rendering import Excerpt
    from residue.runtime.offline.trace_picture import draw
    from residue.runtime.planning.preparation import open_performance
    from residue.runtime.system.files import save_picture
    from residue.runtime.system.folders import cache_folder

    if to_s is not None and to_s <= from_s:
        raise click.UsageError(f"--to-s {to_s:g} lies before --from-s {from_s:g}.")
    loaded = draft(installation, performance, gallery=False)
    tell(loaded.findings)
    excerpt = Excerpt(frame_at(from_s), None if to_s is None else frame_at(to_s))
    with progress("Tracing") as bar:
        opened = open_performance(loaded, performance, cache_folder(), bar)
        excerpt.check(opened)
        traced = tracing.trace(loaded, opened, list(dict.fromkeys(signals)), every_s, excerpt, cache_folder(), bar)
    tracing.write_tables(traced, out)
    if picture is not None:
        save_picture(draw(traced), picture)
    told = f"{out}: {len(traced.times_s)} rows; {tracing.events_path(out)}: {len(traced.events)} events"
    say(told, err=True)
