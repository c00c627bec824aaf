"""How a process gives way."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path


def test_a_process_that_gives_way_is_the_first_to_go_where_memory_is_short() -> None:
    """Source: proc(5): of two alike the kernel ends the one with the higher oom_score."""
    program = "import os; from residue.processes import give_way; give_way(3); print(os.nice(0)); " + (
        "print(open('/proc/self/oom_score').read())"
    )
    told = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True).stdout.split()
    assert int(told[0]) == min(os.nice(0) + 3, 19)
    assert int(told[1]) > int(Path("/proc/self/oom_score").read_text())
