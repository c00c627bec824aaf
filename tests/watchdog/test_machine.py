import errno
from pathlib import Path

import numpy as np
import pytest

from residue.watchdog.machine import disk_free_share, memory_bytes, temperature_c, throttled


def test_memory_that_is_used_is_seen() -> None:
    before = memory_bytes()
    held = np.ones(20_000_000)
    assert memory_bytes() - before > 0.9 * held.nbytes


def test_the_free_share_of_a_disk_lies_between_none_and_all(tmp_path: Path) -> None:
    assert 0.0 < disk_free_share(tmp_path) <= 1.0
    assert disk_free_share(tmp_path / "missing") == 0.0


def test_what_cannot_be_looked_at_for_want_of_open_files_is_not_known(monkeypatch: pytest.MonkeyPatch) -> None:
    def full(*_: object, **__: object) -> list[Path]:
        raise OSError(errno.EMFILE, "Too many open files")

    monkeypatch.setattr(Path, "glob", full)
    monkeypatch.setattr(Path, "read_text", full)
    assert (temperature_c(), throttled(), memory_bytes()) == (None, 0, 0)
