"""`residue render`: the gallery version into a WAV, or as a fingerprint."""

from __future__ import annotations

from pathlib import Path

import click

from residue.cli.common import INSTALLATION, TIME_S, WAV, progress, tell
from residue.cli.screen import say

_FILE = click.Path(path_type=Path, dir_okay=False)


@click.command()
@INSTALLATION
@click.option("--performance", required=True, help="Name of the performance, as in performances/.")
@click.option("--out", type=WAV, help="The WAV to write.")
@click.option("--fingerprint", type=_FILE, help="Write a short text that identifies this sound.")
@click.option("--node", help="Listen to this node alone.")
@click.option(
    "--block", type=click.IntRange(1, 1 << 20), default=65_536, help="Frames for each step; the sound stays the same."
)
@click.option("--from-s", type=TIME_S, default=0.0, help="Begin at this second.")
@click.option("--to-s", type=TIME_S, show_default="the end", help="End at this second.")
@click.option("--before-cap", is_flag=True, help="Leave out plan, governor and limiter.")
def render(
    installation: Path,
    performance: str,
    out: Path | None,
    fingerprint: Path | None,
    node: str | None,
    block: int,
    from_s: float,
    to_s: float | None,
    before_cap: bool,
) -> None:
    """Render the gallery version of a performance into a WAV, faster than real time, or take its fingerprint.

    For the artist, who wants to hear what visitors will hear, and for whoever keeps the piece. A piece and a
    performance are enough: without room.toml and hours.toml it says what it takes instead.

    \b
    Example: residue render dough --performance first-batch --out heard.wav
    """
    from residue.installation.drafts import draft
    from residue.mapping.replay import Replay
    from residue.mapping.signals import frame_at, seconds
    from residue.runtime.offline import verification
    from residue.runtime.offline.fingerprint import write
    from residue.runtime.offline.rendering import Excerpt, written
    from residue.runtime.planning.preparation import open_performance, plan_performance
    from residue.runtime.system.folders import cache_folder

    if out is None and fingerprint is None:
        raise click.UsageError("Name a file: --out FILE.wav for the sound, --fingerprint FILE for its fingerprint.")
    if to_s is not None and to_s <= from_s:
        raise click.UsageError(f"--to-s {to_s:g} lies before --from-s {from_s:g}.")
    loaded = draft(installation, performance, gallery=not before_cap)
    tell(loaded.findings)
    compared, cache = fingerprint is not None, cache_folder()
    with progress("Rendering") as bar, Replay(len(loaded.piece.outputs), cache) as replay:
        opened = open_performance(loaded, performance, cache, bar)
        excerpt = Excerpt(frame_at(from_s), None if to_s is None else frame_at(to_s))
        excerpt.check(opened)
        wanted = verification.Rendered(performance, excerpt, node=node)
        if not before_cap:
            planned = plan_performance(loaded, performance, cache, bar, replay.take)
            wanted = verification.as_planned(wanted, planned)
        known = None if compared or node else replay
        blocks = verification.blocks_of(loaded, opened, wanted, block, bar, None if compared else cache, known)
        if out is not None:
            blocks = written(blocks, out, len(loaded.piece.outputs))
        taken = verification.fingerprint(loaded, opened, wanted, blocks)
        if fingerprint is not None:
            write(taken, fingerprint)
    say(f"{out or fingerprint}: {seconds(taken.frames):.1f} s, {len(loaded.piece.outputs)} outputs", err=True)
