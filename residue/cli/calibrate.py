"""`residue calibrate`: what makes levels in the wire levels at the ear."""

from __future__ import annotations

from pathlib import Path

import click

from residue.cli.common import INSTALLATION


@click.command()
@INSTALLATION
@click.option(
    "--tone", metavar="OUTPUT", help="Let one output count its number in pulses, to find it; measures nothing."
)
@click.option("--device", metavar="NAME|silent|file:PATH", help="Instead of the device in room.toml.")
@click.pass_context
def calibrate(ctx: click.Context, installation: Path, tone: str | None, device: str | None) -> None:
    """Calibrate a room with a sound level meter, output by output, and write it into room.toml.

    For the gallery technician, alone in the room, with nothing else playing (systemctl stop residue). Pink noise begins
    very quietly on one output and gets louder only at a key press, never louder than the lowest cap of the room.

    \b
    Example: residue calibrate /srv/residue
    Example: residue calibrate /srv/residue --tone left
    """
    from residue.runtime import calibration_desk as desk
    from residue.runtime.clock import SystemClock

    technician = desk.person_at_terminal()
    try:
        if tone is not None:
            desk.tone(installation, device, tone, technician)
        else:
            desk.calibrate(installation, device, technician, SystemClock())
    except KeyboardInterrupt:
        click.echo("\nEnded. What was written before stays written.")
        ctx.exit(1)
