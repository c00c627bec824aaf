"""`residue survey`: a collection of archived performances under one piece."""

from __future__ import annotations

from pathlib import Path

import click

from residue.cli.common import progress, tell
from residue.cli.screen import say

_FOLDER = click.Path(path_type=Path, file_okay=False)


@click.command()
@click.argument("folder", type=click.Path(path_type=Path))
@click.option(
    "--piece", required=True, type=click.Path(path_type=Path), help="A piece.toml, or an installation; its room counts."
)
@click.option("--out", type=_FOLDER, default="survey", help="The folder to write into.")
@click.option("--processes", type=click.IntRange(1, 1024), show_default="one for each core", help="Work side by side.")
@click.option("--scheduler", metavar="ADDRESS", help="Work on a Dask cluster, such as tcp://192.0.2.10:8786.")
@click.pass_context
def survey(
    ctx: click.Context, folder: Path, piece: Path, out: Path, processes: int | None, scheduler: str | None
) -> None:
    """Survey every archived performance in FOLDER under one piece: a table, and a page with pictures.

    For the artist and the curator of a collection, who choose from many evenings. Of each: whether it is unchanged and
    fits the piece, how long and how loud it is, the plan's gain, its sections, and how well the body is read. Makes
    survey.csv, survey.parquet and survey.html. A performance with a fault costs its own row only. A survey that was
    interrupted goes on if it is begun again. Exit status 1 where a performance cannot be played.

    \b
    Example: residue survey evenings --piece archives/night-dough
    """
    from residue.installation.load import PIECE
    from residue.problems import stopping
    from residue.runtime.survey.columns import columns
    from residue.runtime.survey.examining import commissioned
    from residue.runtime.survey.so_far import RowsSoFar
    from residue.runtime.survey.summary import broken, sentences, spread_lines
    from residue.runtime.survey.surveying import jobs_in
    from residue.runtime.survey.surveying import survey as surveyed
    from residue.runtime.survey.writing import PAGE, SO_FAR, write_survey

    if piece.is_file() and piece.name != PIECE:
        raise stopping(str(piece), f"It is not called {PIECE}.", f"Name a {PIECE}, or the folder of an installation.")
    if processes is not None and scheduler is not None:
        raise click.UsageError("Name either --processes, for this machine, or --scheduler, for a cluster.")
    installation, commission = commissioned(piece.parent if piece.is_file() else piece)
    tell(installation.findings)
    jobs, so_far = jobs_in(folder), RowsSoFar(out / SO_FAR, commission)
    with progress("Surveying") as bar:
        bar("", 0, len(jobs))
        rows = surveyed(
            commission,
            jobs,
            so_far,
            processes=processes,
            scheduler=scheduler,
            told=lambda name, done: bar(name, done, len(jobs)),
        )
    tell(write_survey(installation, rows, out))
    so_far.remove()
    for line in (*sentences(rows), *spread_lines(columns(installation.graph), rows), *broken(rows)):
        say(line)
    say(f"{out / PAGE}", err=True)
    ctx.exit(0 if all(row.playable for row in rows) else 1)
