"""`residue calibrate`: what makes levels in the wire levels at the ear."""

from __future__ import annotations

from pathlib import Path

import click

from residue.cli.common import INSTALLATION, STATE
from residue.cli.screen import say


@click.command()
@INSTALLATION
@click.option("--tone", metavar="OUTPUT", help="Let one output count its number in pulses, so that you find it.")
@click.option("--device", metavar="NAME|silent|file:PATH", help="Instead of the device in room.toml.")
@STATE
@click.option("--microphone", is_flag=True, help="Read the measuring microphone with a sound calibrator on it.")
@click.option("--calibrator-db", default=94.0, metavar="DB", help="The level of the calibrator at 1 kHz.")
@click.pass_context
def calibrate(
    ctx: click.Context,
    installation: Path,
    tone: str | None,
    device: str | None,
    state: Path | None,
    microphone: bool,
    calibrator_db: float,
) -> None:
    """Calibrate a room with a sound level meter, output by output, and write it into room.toml.

    For the gallery technician, alone in the room, with nothing else playing (systemctl stop residue). Pink noise begins
    very quietly on one output and gets louder only at a key press, never louder than the lowest cap of the room. What
    it plays goes into the level log, where the caps count it.

    \b
    Example: residue calibrate /srv/residue
    Example: residue calibrate /srv/residue --tone left
    Example: residue calibrate /srv/residue --microphone
    """
    from residue.runtime.calibration.calibration_desk import Bench, person_at_terminal
    from residue.runtime.system.clock import SystemClock
    from residue.runtime.system.folders import state_folder

    if microphone:
        say(_microphone_line(installation, calibrator_db))
        return
    technician = person_at_terminal()
    bench = Bench(installation, device, state or state_folder(), SystemClock())
    try:
        if tone is not None:
            bench.tone(tone, technician)
        else:
            bench.calibrate(technician)
    except KeyboardInterrupt:
        say("\nEnded. What was written before stays written.")
        ctx.exit(1)


def _microphone_line(installation: Path, calibrator_db: float) -> str:
    from residue.proof.microphone import open_microphone
    from residue.runtime.offline.microphone import calibration_line, microphone_of
    from residue.runtime.system.clock import SystemClock

    microphone = microphone_of(installation)
    opened = open_microphone(microphone.device, microphone.input)
    try:
        line = calibration_line(microphone, opened, calibrator_db, SystemClock().now().date())
    finally:
        opened.close()
    return f"Write this under [microphone] in room.toml:\n{line}"
