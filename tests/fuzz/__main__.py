"""Contents that nobody means well with, for every reader: python -m tests.fuzz [--seed N] [--minutes M] [TARGET …]."""

from __future__ import annotations

import argparse
import logging
import sys
import tempfile
import time
from functools import partial
from pathlib import Path

from tests.fuzz.targets import TARGETS
from tests.fuzz.trying import Found, HangError, file_name, search, smaller

CASES = Path(__file__).parent / "cases"
"""By target: the contents that once found a fault, which tests try again."""


def main() -> None:
    """Search, and keep what was found; exit status 1 where a fault was."""
    parser = argparse.ArgumentParser(prog="python -m tests.fuzz", description=__doc__)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--minutes", type=float, default=1.0, help="for all targets together")
    parser.add_argument("--into", type=Path, default=CASES, help="a folder for what is found")
    parser.add_argument("target", nargs="*", metavar="TARGET", help=", ".join(TARGETS))
    given = parser.parse_args()
    names = given.target or list(TARGETS)
    if unknown := [name for name in names if name not in TARGETS]:
        parser.error(f"{unknown[0]} is none of {', '.join(TARGETS)}")
    logging.disable(logging.CRITICAL - 1)
    faults = 0
    for name in names:
        known: dict[str, Found] = {}
        until_s = time.monotonic() + 60.0 * given.minutes / len(names)
        tries, said = search(TARGETS[name], given.seed, until_s=until_s, most=sys.maxsize, found=partial(_note, known))
        sys.stdout.write(f"{name:<12}{tries:>9} tries{said:>7} answers{len(known):>4} faults\n")
        sys.stdout.flush()
        for one in known.values():
            _keep(name, one, given.into)
        faults += len(known)
    sys.exit(1 if faults else 0)


def _note(known: dict[str, Found], one: Found) -> None:
    if one.where not in known or len(one.content) < len(known[one.where].content):
        known[one.where] = one


def _keep(name: str, one: Found, into: Path) -> None:
    # What ends the process is kept as it is, and so is what hangs: each try at less of it takes as long again.
    if one.words.startswith("Traceback") and not one.where.startswith(HangError.__name__):
        with tempfile.TemporaryDirectory() as folder:
            one = smaller(TARGETS[name].trial(Path(folder)), one)
    path = into / name / file_name(one)
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(one.content)
    sys.stdout.write(f"\n{path}: {one.where}\n{one.words}\n")


if __name__ == "__main__":
    main()
