"""`residue listen`: a piece while it is written, from any place."""

from __future__ import annotations

from pathlib import Path

import click

from residue.cli.common import INSTALLATION, LASTING_S, TIME_S, FiniteRange, progress


@click.command()
@INSTALLATION
@click.option("--performance", help="Name of the performance, as in performances/; the first one if not given.")
@click.option("--from-s", type=TIME_S, default=0.0, help="Begin at this second.")
@click.option("--in-the-room", "room", is_flag=True, help="Outputs, device and caps of room.toml, not headphones.")
@click.option("--device", metavar="NAME|silent|file:PATH", help="Another sound device than the default one.")
@click.option(
    "--trim-db",
    type=FiniteRange(min=-60, max=0),
    help="Lower everything; if not given, -20 on headphones, 0 in the room.",
)
@click.option("--for-s", type=LASTING_S, help="End after so many seconds.")
@click.option("--state", type=click.Path(path_type=Path), help="Folder of the room's level log.")
def listen(
    installation: Path,
    performance: str | None,
    from_s: float,
    room: bool,
    device: str | None,
    trim_db: float | None,
    for_s: float | None,
    state: Path | None,
) -> None:
    """Hear a piece while you write it: from any place, and each edit that you save at the place where it is.

    For the artist. It plays on headphones, under a low cap and a low trim of its own, and asks for no room.toml. With
    --in-the-room it plays through the room's caps, if no house runs there. A piece that cannot be read leaves the one
    before playing. End with Ctrl-C.

    \b
    Example: residue listen . --performance first-batch --from-s 90
    """
    from residue.runtime.listening.headphones import TRIM_DB
    from residue.runtime.listening.listening import Wish
    from residue.runtime.listening.listening import listen as heard
    from residue.runtime.system.folders import cache_folder, state_folder

    lowered_db = (0.0 if room else TRIM_DB) if trim_db is None else trim_db
    wish = Wish(
        folder=installation,
        performance=performance,
        from_s=from_s,
        room=room,
        device=device,
        trim_db=lowered_db,
        for_s=for_s,
    )
    with progress("Preparing") as bar:
        heard(wish, state or state_folder(), cache_folder(), bar)
