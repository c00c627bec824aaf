"""Prints what each reading of a body shows when its sensor has a fault: python -m tests.bench.faults [READING …]

One row for each reading and fault: the shares of the time in which it is right and sure, wrong and sure, and not known;
the medians of the truth, of the value and of the trust. tests/reference/faults.py says what these words mean.
"""

from __future__ import annotations

import sys

from tests.reference.faults import READINGS, faults_of, judged


def main() -> None:
    """Print the table, or the rows of the readings that are named."""
    heads = ("reading", "fault", "right", "wrong, sure", "not known", "truth", "value", "trust")
    sys.stdout.write(f"| {' | '.join(heads)} |\n|{' --- |' * len(heads)}\n")
    for reading in READINGS:
        if sys.argv[1:] and reading.name not in sys.argv[1:]:
            continue
        for name, fault in faults_of(reading).items():
            found = judged(reading, fault)
            unknown = 1.0 - found.right - found.wrong_and_sure
            shares = " | ".join(f"{one:.2f}" for one in (found.right, found.wrong_and_sure, unknown))
            sys.stdout.write(
                f"| {reading.name} | {name} | {shares} | {found.truth:.3g} | {found.value:.3g} | {found.trust:.2f} |\n"
            )
            sys.stdout.flush()


if __name__ == "__main__":
    main()
