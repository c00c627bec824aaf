from pathlib import Path

import numpy as np

from residue.watchdog.machine import disk_free_share, memory_bytes


def test_memory_that_is_used_is_seen() -> None:
    before = memory_bytes()
    held = np.ones(20_000_000)
    assert memory_bytes() - before > 0.9 * held.nbytes


def test_the_free_share_of_a_disk_lies_between_none_and_all(tmp_path: Path) -> None:
    assert 0.0 < disk_free_share(tmp_path) <= 1.0
    assert disk_free_share(tmp_path / "missing") == 0.0
