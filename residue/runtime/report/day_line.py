"""One line about a day, for people who are absent; made in a process of its own, because it reads a day of the log.

    python -m residue.runtime.report.day_line INSTALLATION IN_FORCE LOG DATE

IN_FORCE is the folder of the files in force. Writes the line to standard output.
"""

from __future__ import annotations

import sqlite3
import sys
from collections.abc import Iterator
from datetime import date
from math import inf
from pathlib import Path

from residue.problems import ProblemError
from residue.processes import PLANS, give_way
from residue.runtime.journal.event_kinds import NOT_PROVEN
from residue.runtime.journal.reading import LogReader
from residue.runtime.report.courses import Course
from residue.runtime.report.days import ReportedDay, days
from residue.runtime.report.house import house_of
from residue.runtime.system.clock import SystemClock


def day_line(day: ReportedDay) -> str:
    """Open and played time, whether every cap was kept, and as far as the log tells; faults, and people."""
    return " ".join(_sentences(day))


def _sentences(day: ReportedDay) -> Iterator[str]:
    hours = "the hours are not known" if day.reported is None else f"open for {day.open_h:.1f} h by the hours"
    yield f"{day.date:%a %Y-%m-%d}: {hours}, played for {day.played_h:.1f} h."
    if day.kept is None:
        yield "The level log has nothing of this day: the program did not run, or its log was lost."
        return
    exceeded = [one.cap.name for one in day.courses if not one.kept]
    yield f"Exceeded: {', '.join(exceeded)}." if exceeded else "Every cap was kept."
    yield day.covered.words
    heard = sorted((one for one in day.courses if one.highest is not None), key=_headroom_db)
    if heard:
        yield f"Nearest to its limit: {heard[0].cap.name}, {heard[0].words}."
    if len(heard) > 1:
        yield f"Furthest from it: {heard[-1].cap.name}, {heard[-1].words}."
    if day.proofs:
        wrong = dict.fromkeys(event.text for event in day.proofs if event.kind == NOT_PROVEN)
        yield f"The microphone: {' '.join(wrong) or 'every output was heard.'}"
    yield f"Faults: {len(day.faults) or 'none'}. Wishes of people: {len(day.interventions) or 'none'}."


def _headroom_db(one: Course) -> float:
    return inf if one.highest is None else one.cap.limit - one.highest[0]


def main() -> None:
    """Makes the line in a process of its own."""
    give_way(PLANS)
    folder, in_force, log = map(Path, sys.argv[1:4])
    day = date.fromisoformat(sys.argv[4])
    try:
        (reported,) = days(house_of(folder, in_force), LogReader(log), day, day, SystemClock().now())
    except ProblemError as error:
        sys.exit(str(error))
    except (sqlite3.Error, OSError) as error:
        sys.exit(f"The level log cannot be read: {error}.")
    sys.stdout.write(day_line(reported) + "\n")


if __name__ == "__main__":
    main()
