"""`residue notice`: who is told of faults, and whether a notice arrives."""

from __future__ import annotations

from pathlib import Path

import click

from residue.cli.common import INSTALLATION
from residue.cli.screen import say


@click.command()
@INSTALLATION
@click.option("--test", is_flag=True, help="Send each of them a test now.")
@click.pass_context
def notice(ctx: click.Context, installation: Path, *, test: bool) -> None:
    """List who is told of faults and recoveries, as room.toml says; with --test send each a test.

    For the gallery technician, before leaving. The test is sent by you and not by the service: `residue check` says
    whether the service may reach the same addresses.

    \b
    Example: residue notice archives/night-dough
    """
    from residue.runtime.offline.trying_notices import described, tested

    told = tested(installation) if test else described(installation)
    for line in (lines := list(told)):
        say(line.words)
    if not lines:
        say("Nobody is told. Write a table [[notice]] into room.toml.")
    ctx.exit(0 if all(line.good for line in lines) else 1)
