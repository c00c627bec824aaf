"""`residue pack`: a whole installation in one sealed file, for another house."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import click

from residue.cli.common import DAY, INSTALLATION, STATE, ZIP, check_days, progress, tell
from residue.cli.screen import say


@click.command()
@INSTALLATION
@click.option("--out", required=True, type=ZIP, help="The file to write (ZIP).")
@click.option("--from", "first", type=DAY, help="Put the report of a season in: its first day.")
@click.option("--to", "last", type=DAY, help="The last day of the season.")
@STATE
def pack(installation: Path, out: Path, first: date | None, last: date | None, state: Path | None) -> None:
    """Pack a whole installation into one sealed file, which another house checks and opens with `residue unpack`.

    For the technician and the artist who hand a piece on. In it are the piece, its performances, room and hours as they
    are, fingerprints, cautions and, if you name its days, the report of a season. Keys, passwords, addresses and the
    names of people who work here stay out; what is left out is listed. Recordings of a body go along, with the name of
    the performer: hand them on as far as the consent goes.

    \b
    Example: residue pack archives/night-dough --out night-dough.zip
    """
    from residue.installation.load import load
    from residue.runtime.house.kept_files import found_in_force
    from residue.runtime.journal.log import FILE_NAME
    from residue.runtime.packing.packing import PackedSeason
    from residue.runtime.packing.packing import pack as packed
    from residue.runtime.system.clock import SystemClock
    from residue.runtime.system.folders import cache_folder, state_folder

    season = None
    if bool(first) != bool(last):
        raise click.UsageError("--from and --to belong together.")
    if first and last:
        check_days(first, last)
        folder = state or state_folder()
        in_force = found_in_force(installation, folder)
        season = PackedSeason(log=folder / FILE_NAME, in_force=in_force, first=first, last=last)
    with progress("Packing") as bar:
        facts, findings = packed(
            load(installation), out, cache_folder(), SystemClock().now(), season=season, progress=bar
        )
    tell(findings)
    say(f"{facts.piece}: {len(facts.performances)} performances, {out.stat().st_size / 1e6:.1f} MB")
    say("Left out:")
    for words in facts.left_out:
        say(f"- {words}")
    say(f"In the other house: residue unpack {out.name} --into FOLDER")
    say(f"{out}", err=True)
