"""`residue render`: the gallery version into a WAV."""

from __future__ import annotations

from pathlib import Path

import click

from residue.cli.common import INSTALLATION, progress

_SECONDS = click.FloatRange(min=0)


@click.command()
@INSTALLATION
@click.option("--performance", required=True, help="Name of the performance, as in performances/.")
@click.option("--out", required=True, type=click.Path(path_type=Path, dir_okay=False), help="The WAV to write.")
@click.option("--block", type=click.IntRange(1, 1 << 20), default=65_536, help="Frames a step; changes no bit.")
@click.option("--from-s", type=_SECONDS, default=0.0, help="Begin here.")
@click.option("--to-s", type=_SECONDS, help="End here.")
@click.option("--before-cap", is_flag=True, help="What the graph gives, without plan, governor and limiter.")
def render(
    installation: Path,
    performance: str,
    out: Path,
    block: int,
    from_s: float,
    to_s: float | None,
    before_cap: bool,
) -> None:
    """Render the gallery version of a performance into a WAV, faster than real time.

    For the artist, who wants to hear what visitors will hear.

    \b
    Example: residue render archives/night-dough --performance first-batch --out first-batch.wav
    """
    from residue.installation.load import load
    from residue.mapping.signals import frame_at
    from residue.runtime.folders import cache_folder
    from residue.runtime.preparation import open_performance, plan_gain_db
    from residue.runtime.rendering import Excerpt, render_to_wav

    if to_s is not None and to_s <= from_s:
        raise click.UsageError(f"--to-s {to_s:g} lies before --from-s {from_s:g}.")
    loaded = load(installation)
    with progress("Rendering") as bar:
        opened = open_performance(loaded, performance, cache_folder(), bar)
        frames = render_to_wav(
            loaded,
            opened,
            out,
            block_frames=block,
            excerpt=Excerpt(frame_at(from_s), None if to_s is None else frame_at(to_s)),
            gain_db=None if before_cap else plan_gain_db(loaded, performance, cache_folder(), bar),
            progress=bar,
        )
    click.echo(f"{out}: {frames / 48_000:.1f} s, {len(loaded.piece.outputs)} outputs", err=True)
