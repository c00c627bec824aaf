"""`residue overview`: a whole performance at a glance."""

from __future__ import annotations

from pathlib import Path

import click

from residue.cli.common import INSTALLATION, PICTURE, progress, tell
from residue.cli.screen import say

_FILE = click.Path(path_type=Path, dir_okay=False)


@click.command()
@INSTALLATION
@click.option("--performance", required=True, help="Name of the performance, as in performances/.")
@click.option("--out", required=True, type=PICTURE, help="The picture to write (PNG, SVG).")
@click.option("--table", type=_FILE, help="Write the levels and readings as a CSV as well.")
@click.option("--beside", metavar="NAME", help="Show another performance on the right.")
@click.option("--other", type=click.Path(path_type=Path), help="Take what stands on the right from this installation.")
def overview(
    installation: Path, performance: str, out: Path, table: Path | None, beside: str | None, other: Path | None
) -> None:
    """Draw a whole performance: outputs before and after the cap, spectrum, sections, readings of the body.

    For the artist, who wants to see what plan and cap change, or how two performances or two versions of a piece
    differ. The table has the performance on the left, a row for each half second.

    \b
    Example: residue overview . --performance first-batch --out first-batch.png
    """
    from residue.installation.drafts import draft
    from residue.runtime.offline import overview as overviews
    from residue.runtime.offline.overview_picture import draw
    from residue.runtime.planning.preparation import open_performance, plan_performance
    from residue.runtime.system.files import save_picture
    from residue.runtime.system.folders import cache_folder

    wanted = [(installation, performance)]
    if beside is not None or other is not None:
        wanted.append((other or installation, beside or performance))
    shown = []
    with progress("Drawing") as bar:
        for folder, name in wanted:
            loaded = draft(folder, name, gallery=True)
            tell(loaded.findings)
            opened = open_performance(loaded, name, cache_folder(), bar)
            planned = plan_performance(loaded, name, cache_folder(), bar)
            shown.append(overviews.overview(loaded, opened, planned, bar))
    save_picture(draw(shown), out)
    if table is not None:
        overviews.write_table(shown[0], table)
    say(str(out) if table is None else f"{out}; {table}", err=True)
