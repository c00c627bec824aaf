"""`residue run`: the daemon."""

from __future__ import annotations

import gc
import sys
from dataclasses import replace
from pathlib import Path

import click

from residue.cli.common import INSTALLATION, LASTING_S, STATE


@click.command()
@INSTALLATION
@click.option("--device", metavar="NAME|silent|file:PATH", help="Instead of the device in room.toml.")
@click.option("--for-s", type=LASTING_S, show_default="until stopped", help="Stop after so many seconds.")
@STATE
@click.pass_context
def run(ctx: click.Context, installation: Path, device: str | None, for_s: float | None, state: Path | None) -> None:
    """Run an installation in the foreground until it is stopped.

    For the gallery technician, and for the machine's service manager.

    \b
    Example: residue run archives/night-dough --device silent --for-s 60
    """
    gc.disable()  # what a start makes stays; the daemon collects what does not once it runs
    from residue.archive.swap.taking import recover
    from residue.installation.load import PERFORMANCES
    from residue.runtime.daemon.assembly import Places
    from residue.runtime.daemon.daemon import run as run_daemon
    from residue.runtime.house.kept_files import load_in_force
    from residue.runtime.system.folders import cache_folder, ended_file, state_folder
    from residue.runtime.system.started_by import by_person

    recovered = recover(installation / PERFORMANCES)
    state = state or state_folder()
    person = by_person(ended_file(state), terminal=sys.stdin is not None and sys.stdin.isatty())
    loaded = load_in_force(installation, state, by_person=person)
    loaded = replace(loaded, findings=(*recovered, *loaded.findings))
    ctx.exit(run_daemon(loaded, Places(device=device, state=state, cache=cache_folder()), for_s=for_s))
