"""How well a house would come through a season: python -m tests.season --days 1000 --seed 7."""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from pathlib import Path

from tests.season.season import Season


def report(season: Season) -> list[str]:
    """Availability, and what recovering took, by kind of fault."""
    account = season.account
    fine_s = account.reachable_s - account.missed_s
    lines = [
        f"open by the hours: {account.open_s / 3600:.0f} h; heard, resting or held as it should: "
        f"{fine_s / account.open_s:.3%} of it",
        f"  nobody could have sounded (no power, starting machine, no fit device, a clock set wrong): "
        f"{account.imposed_s / account.open_s:.3%}",
        f"  missed by the house: {account.missed_s:.0f} s; available in the time in which it could have sounded: "
        f"{account.available:.3%}",
        f"  highest window of each cap, of its limit: {', '.join(f'{share:.1%}' for share in season.highest)}",
        f"{'kind of fault':<26}{'times':>7}{'mean s':>9}{'worst s':>9}{'lost s':>9}   after what lies outside is over",
    ]
    for kind, took in sorted(account.recovered.items(), key=lambda one: -one[1].total_s):
        lines.append(
            f"{kind:<26}{took.times:>7}{took.total_s / took.times:>9.1f}{took.worst_s:>9.0f}{took.total_s:>9.0f}"
        )
    return lines


def main() -> None:
    """Run one season and print it; a failure names its seed."""
    parser = argparse.ArgumentParser(prog="python -m tests.season", description=__doc__)
    parser.add_argument("--days", type=int, default=1_000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--faults-a-day", type=float, default=10.0)
    given = parser.parse_args()
    began_s = time.process_time()
    with tempfile.TemporaryDirectory() as folder:
        season = Season(given.seed, given.faults_a_day, Path(folder))
        try:
            season.run(given.days)
        except AssertionError:
            sys.stderr.write(f"Failed with --seed {given.seed} --faults-a-day {given.faults_a_day:g}\n")
            raise
    took_s = time.process_time() - began_s
    sys.stdout.write(
        f"seed {given.seed}, {given.days} days, {given.faults_a_day:g} faults a day, {took_s:.0f} s of CPU\n"
    )
    sys.stdout.write("\n".join(report(season)) + "\n")


if __name__ == "__main__":
    main()
