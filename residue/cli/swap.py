"""`residue swap`: one performance in the place of another, in a house that may be running."""

from __future__ import annotations

from pathlib import Path

import click

from residue.cli.common import INSTALLATION, progress
from residue.cli.screen import say


@click.command()
@INSTALLATION
@click.argument("bag", required=False, type=click.Path(path_type=Path))
@click.option("--in-place-of", "place", metavar="NAME", help="The performance to replace; needed if there are several.")
@click.option("--now", "when", flag_value="now", help="At once, with a crossfade.")
@click.option("--at-rest", "when", flag_value="at-rest", default=True, help="As soon as the old one does not play.")
@click.option("--at-opening", "when", flag_value="at-opening", help="Before the house opens next.")
@click.option("--back", is_flag=True, help="Bring the performance before back, instead of a BAG.")
@click.option("--withdraw", "gone", is_flag=True, help="Withdraw a swap that waits: what plays stays.")
def swap(installation: Path, bag: Path | None, place: str | None, when: str, back: bool, gone: bool) -> None:
    """Replace a performance of the programme by another one while the house runs.

    For the artist. BAG is verified and copied into performances/. The running house (or one that is started later)
    checks and plans it beside what plays, and only then takes it; anything wrong leaves the old one playing, and
    `residue status` says why. What was there before is kept for --back.

    \b
    Example: residue swap dough /media/stick/new-batch --in-place-of first-batch
    """
    from residue.archive.swap.asking import ask_back, place_for, place_to_go_back, place_to_withdraw, stage
    from residue.archive.swap.places import When
    from residue.archive.swap.taking import withdraw
    from residue.installation.load import PERFORMANCES, swappable
    from residue.runtime.system.clock import SystemClock

    if [bag is not None, back, gone].count(True) != 1:
        raise click.UsageError("Name a BAG, or write --back for the one before, or --withdraw.")
    programme, needs = swappable(installation)
    performances, now = installation / PERFORMANCES, SystemClock().now()
    if gone:
        name = place_to_withdraw(performances, programme, place)
        withdraw(performances, name)
        say(f"Nothing waits to take the place of {name} any more.")
        return
    if bag is None:
        name = place_to_go_back(performances, programme, place)
        ask_back(performances, name, When(when), now)
    else:
        name = place_for(bag, programme, place)
        with progress("Verifying and copying") as bar:
            stage(bag, performances, name, When(when), needs, now, bar)
    say(f"{bag.name if bag else 'The one before'} waits to take the place of {name}, {when}.")
    say("The running house checks it first; `residue status` says how far it is, or why it was refused.")
