"""`residue check`: everything that can be known before opening."""

from __future__ import annotations

from pathlib import Path

import click

from residue.cli.common import AS_JSON, INSTALLATION, PICTURE, print_json, progress
from residue.cli.screen import say
from residue.problems import Finding, stops


@click.command()
@INSTALLATION
@click.option("--device", metavar="NAME|silent|file:PATH", help="Instead of the device in room.toml.")
@click.option("--picture", type=PICTURE, help="Draw the plan into this file, .png or .svg.")
@AS_JSON
@click.pass_context
def check(ctx: click.Context, installation: Path, device: str | None, picture: Path | None, as_json: bool) -> None:
    """Check everything that can be known before opening: files, bags, graph, device, clock, disk, caps, plan.

    For the gallery technician, before leaving. Exit status 1 where something would stop the installation.

    \b
    Example: residue check archives/night-dough
    """
    from residue.runtime.offline.inspection import inspect
    from residue.runtime.system.clock import SystemClock
    from residue.runtime.system.folders import cache_folder

    with progress("Checking") as bar:
        findings = inspect(installation, device, cache_folder(), SystemClock(), progress=bar, picture=picture)
    ok = not stops(findings)
    if as_json:
        print_json({"ok": ok, "findings": [_as_dict(finding) for finding in findings]})
    else:
        for finding in findings:
            say(f"{finding.severity:>5}  {finding}")
        say("It can open." if ok else "The house cannot open until these faults are mended.")
    ctx.exit(0 if ok else 1)


def _as_dict(finding: Finding) -> dict[str, str]:
    return {"severity": finding.severity, "where": finding.where, "what": finding.what, "mend": finding.mend}
