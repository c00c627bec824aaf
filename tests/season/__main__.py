"""How well a house would come through a season: python -m tests.season --days 100 --seed 7 --seasons 10."""

from __future__ import annotations

import argparse
import resource
import sys

from tests.season.account import Totals
from tests.season.side_by_side import all_through

HEAD = f"{'kind of fault':<26}{'times':>7}{'mean s':>9}{'worst s':>9}{'lost s':>9}"


def report(totals: Totals) -> list[str]:
    """Availability, and what recovering took, by kind of fault, the costliest first."""
    fine_s = totals.reachable_s - totals.missed_s
    lines = [
        f"open by the hours and the true time: {totals.open_s / 3600:.0f} h; "
        f"heard, resting or held, as it should be: {fine_s / totals.open_s:.3%} of it",
        "  not to be played through (no power, a machine that starts, a device unplugged or unfit, a clock set wrong): "
        f"{totals.imposed_s / totals.open_s:.3%}",
        f"  available in the rest of the time: {totals.available:.3%}; missed: {totals.missed_s:.0f} s",
        f"  fullest window of each cap, of its limit: {', '.join(f'{share:.1%}' for share in totals.highest)}",
        "time to recover, from the end of what is not to be played through; what is lost counts for the last fault",
        HEAD,
    ]
    for kind, took in sorted(totals.recovered.items(), key=lambda one: -one[1].total_s):
        mean_s = took.total_s / took.times
        lines.append(f"{kind:<26}{took.times:>7}{mean_s:>9.1f}{took.worst_s:>9.0f}{took.total_s:>9.0f}")
    return lines


def main() -> None:
    """Run the seasons and print them; a failure names its seed."""
    parser = argparse.ArgumentParser(prog="python -m tests.season", description=__doc__)
    parser.add_argument("--days", type=float, default=100.0)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--seasons", type=int, default=1, help="with this seed and those that follow it, side by side")
    parser.add_argument("--faults-a-day", type=float, default=10.0)
    given = parser.parse_args()
    seeds = range(given.seed, given.seed + given.seasons)
    totals = all_through(seeds, given.faults_a_day, given.days)
    took_s = sum(resource.getrusage(resource.RUSAGE_CHILDREN)[:2])
    what = f"{given.seasons} x {given.days:g} days from seed {given.seed}, {given.faults_a_day:g} faults a day"
    sys.stdout.write("\n".join([f"{what}, {took_s:.0f} s of processor time", *report(totals)]) + "\n")


if __name__ == "__main__":
    main()
