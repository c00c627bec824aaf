from __future__ import annotations

import os
import time
from pathlib import Path

import pytest

from residue.runtime.planning.cache_size import LEFT_BEHIND_S, tidy


def used(path: Path, hours_ago: float, size: int = 1_000) -> Path:
    """A folder of channels, or a file, of so many bytes; used so long ago."""
    if path.suffix:
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(bytes(size))
    else:
        path.mkdir(parents=True)
        (path / "arm.fast.npy").write_bytes(bytes(size))
    moment = time.time() - 3_600 * hours_ago
    os.utime(path, (moment, moment))
    return path


@pytest.fixture
def cache(tmp_path: Path) -> Path:
    return tmp_path / "cache"


def test_what_is_needed_stays_and_of_the_rest_the_longest_unused_goes(cache: Path) -> None:
    needed = used(cache / "channels" / "needed", 900, size=50_000)
    oldest = used(cache / "channels" / "oldest", 30, size=8_000)
    older = used(cache / "profiles" / "older.npz", 20)
    newer = used(cache / "plans" / "newer.json", 10)
    tidy(cache, {needed}, most_bytes=4_000)
    assert [path.exists() for path in (needed, oldest, older, newer)] == [True, False, True, True]
    tidy(cache, set(), most_bytes=60_000)
    assert needed.exists(), "it was used just now"
    tidy(cache, {older}, most_bytes=0)
    assert [path.exists() for path in (needed, older, newer)] == [False, True, False]


def test_what_a_cut_has_left_is_removed_and_what_is_being_made_is_not(cache: Path) -> None:
    needed = used(cache / "channels" / "needed", 0)
    left = used(needed / ".making-a.npy", 2 * LEFT_BEHIND_S / 3_600)
    making = used(needed / ".making-b.npy", 0.1)
    tidy(cache, {needed})
    assert [left.exists(), making.exists()] == [False, True]


def test_a_cache_that_is_not_there_is_no_trouble(cache: Path) -> None:
    tidy(cache, {cache / "channels" / "needed"})
    assert not cache.exists()
