"""`residue unpack`: an installation that another house has packed."""

from __future__ import annotations

import shlex
from datetime import date
from pathlib import Path

import click

from residue.cli.common import progress, tell
from residue.cli.screen import say


@click.command()
@click.argument("package", type=click.Path(path_type=Path))
@click.option("--into", required=True, type=click.Path(path_type=Path), help="The folder to make.")
def unpack(package: Path, into: Path) -> None:
    """Check a package that another house has made with `residue pack`, and make an installation of it.

    For the technician of the house that takes the piece over. Room and hours ask for what differs here: device, wiring,
    caps, place and opening hours. Nothing that was calibrated elsewhere is in force. A package that is damaged, or not
    one of ours, makes nothing.

    \b
    Example: residue unpack night-dough.zip --into hall
    """
    from residue.runtime.packing.unpacking import FINGERPRINTS_HERE
    from residue.runtime.packing.unpacking import unpack as unpacked

    with progress("Unpacking") as bar:
        found = unpacked(package, into, date.today(), bar)  # noqa: DTZ011 (a note for people of this place)
    tell(found.findings)
    say(f"{found.facts.piece}: {', '.join(found.facts.performances)}; packed on {found.facts.packed}")
    for caution in _cautions(into):
        say(f"CAUTION. {caution}")
    here = shlex.quote(str(into))
    first = shlex.quote(str(into / FINGERPRINTS_HERE / f"{found.facts.performances[0]}.toml"))
    say("Answer the questions in room.toml and hours.toml. This lists those that are left:")
    say(f"residue check {here}")
    say("Whether it sounds here as it did there, to the bit:")
    say(f"residue verify --fingerprint {first} {here}")


def _cautions(installation: Path) -> tuple[str, ...]:
    """Those that the piece asks for; all of them where its nodes are not all here yet."""
    from residue.installation.load import graph_of
    from residue.loudness.caps.cautions import cautions
    from residue.problems import ProblemError

    try:
        graph = graph_of(installation)
    except ProblemError:
        return cautions(feed=True, lamps=True)
    return cautions(feed=bool(graph.feeds), lamps=bool(graph.lamps))
