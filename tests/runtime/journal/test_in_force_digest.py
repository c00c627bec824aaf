"""The digest of what is in force is made whatever stands in the folders."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from residue.runtime.journal.in_force_digest import digest_of


@pytest.mark.parametrize("name", ["hours.toml", "hours.ics"])
def test_a_pipe_in_the_place_of_a_file_keeps_nobody_waiting(tmp_path: Path, name: str) -> None:
    """The curator's folder may be shared, and opening a pipe would wait for ever."""
    places = dict.fromkeys(("piece.toml", "room.toml", "hours.toml"), tmp_path)
    (tmp_path / name).write_text("")
    before = digest_of(places, {})
    (tmp_path / name).unlink()
    os.mkfifo(tmp_path / name)
    assert digest_of(places, {}) != before
