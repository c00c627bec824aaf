"""`residue rehearse`: a whole season beforehand."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import click

from residue.cli.common import AS_JSON, DAY, INSTALLATION, check_days, print_json, progress
from residue.cli.screen import say


@click.command()
@INSTALLATION
@click.option("--from", "first", type=DAY, required=True, help="The first day.")
@click.option("--to", "last", type=DAY, required=True, help="The last day.")
@click.option("--faults", "seed", type=int, metavar="SEED", help="Simulate faults and people, by this number.")
@AS_JSON
def rehearse(installation: Path, first: date, last: date, seed: int | None, as_json: bool) -> None:
    """Simulate a whole season in seconds: what is played, how loud a day is, what needs attention.

    For the curator, before a calendar is agreed on.

    \b
    Example: residue rehearse dough --from 2026-12-01 --to 2027-02-28
    """
    from residue.installation.load import load
    from residue.problems import Severity
    from residue.runtime.rehearsal import rehearsal
    from residue.runtime.rehearsal.planned_sounds import planned_sounds
    from residue.runtime.system.folders import cache_folder
    from residue.schedule.doubts import doubts

    check_days(first, last)
    loaded = load(installation)
    with progress("Preparing") as bar:
        planned = planned_sounds(loaded, cache_folder(), bar)
    odd = [*loaded.answers.findings, *doubts(loaded.hours, loaded.answers, first, (last - first).days + 1)]
    warnings = [str(finding) for finding in odd if finding.severity is not Severity.NOTES]
    found = rehearsal.rehearse(
        loaded.calendar,
        loaded.hours.programme,
        planned.sounds,
        first,
        last,
        seed,
        caps=planned.caps,
        doubts=warnings,
        exposure_unit=planned.unit,
    )
    if as_json:
        print_json(rehearsal.data(found))
        return
    for line in rehearsal.words(found):
        say(line)
