"""`residue record`: a living body plays the installation, and becomes an archived performance."""

from __future__ import annotations

from pathlib import Path

import click

from residue.cli.common import INSTALLATION, LASTING_S, STATE, progress
from residue.cli.screen import say

_PATH = click.Path(path_type=Path)


@click.command()
@INSTALLATION
@click.option("--into", "bag", required=True, type=_PATH, help="The bag to make; must not exist yet.")
@click.option("--device", metavar="NAME|silent|file:PATH", help="For the sound, instead of the device in room.toml.")
@click.option("--for-s", type=LASTING_S, show_default="at Ctrl-C", help="End after so many seconds.")
@STATE
@click.option("--recover", is_flag=True, help="Play nothing; seal what an interrupted recording left.")
@click.pass_context
def record(
    ctx: click.Context,
    installation: Path,
    bag: Path,
    device: str | None,
    for_s: float | None,
    state: Path | None,
    recover: bool,
) -> None:
    """Play an installation from live sensors, through the same graph and the caps, and record what they send.

    For the artist on stage. sensors.toml in the installation says where each channel comes from, and
    room.toml has the caps; hours and a programme need not be there. End with Ctrl-C: the closing fade is still
    recorded; a second Ctrl-C ends within a second. Replaying the bag gives the same sound to the bit. No plan can be
    made of what has not happened yet: loud passages are held by the caps as they come.

    \b
    Example: residue record archives/night-dough --into performances/fourth-batch
    """
    from residue.installation.drafts import stage
    from residue.live.take import recovered
    from residue.runtime.offline.recording import record as recorded
    from residue.runtime.system.clock import SystemClock
    from residue.runtime.system.folders import state_folder

    if recover:
        with progress("Sealing") as bar:
            sealed = recovered(bag, SystemClock().now().date(), bar)
        say(f"Sealed the recorded part as {bag}, digest {sealed.digest}")
        return
    done = recorded(stage(installation), bag, device=device, for_s=for_s, state=state or state_folder())
    say(f"Sealed as {bag}, {done.duration_s:.1f} s, digest {done.bag.digest}")
    for place in done.never_heard:
        say(f"Nothing arrived from {place}. Look at the sensor and its cable, and at sensors.toml.", err=True)
    troubles = [trouble for trouble in (done.failure, done.trouble) if trouble]
    for trouble in troubles:
        say(trouble, err=True)
    ctx.exit(1 if troubles else 0)
