"""Copying a bag to where it waits for its moment: what a process of its own does for a swap asked for by OSC.

    python -m residue.runtime.swap.staging INSTALLATION BAG NAME WHEN

What keeps it from waiting goes to standard error, with exit status 1.
"""

from __future__ import annotations

import os
import sys
from pathlib import Path

from residue.archive.swap.asking import stage
from residue.archive.swap.candidate import When
from residue.installation.load import PERFORMANCES, graph_of
from residue.problems import ProblemError
from residue.runtime.planning.planning import NICENESS
from residue.runtime.system.clock import SystemClock


def main() -> None:
    """Copies a bag in a process of its own."""
    os.nice(NICENESS)
    folder, bag, name, when = sys.argv[1:5]
    try:
        needs = graph_of(Path(folder)).needs
        stage(Path(bag), Path(folder) / PERFORMANCES, name, When(when), needs, SystemClock().now())
    except ProblemError as error:
        sys.exit(str(error))


if __name__ == "__main__":
    main()
