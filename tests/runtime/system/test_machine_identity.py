from __future__ import annotations

from pathlib import Path

import pytest

from residue.runtime.system.machine_identity import machine_identity


def test_it_stays_the_same_and_does_not_tell_the_machine_id(tmp_path: Path) -> None:
    """machine-id(5): the id "should be considered confidential"; whoever needs one derives another from it."""
    (tmp_path / "machine-id").write_text("4f6c8f1e2d3b4a5968778695a4b3c2d1\n")
    identity = machine_identity(tmp_path / "machine-id")
    assert identity == machine_identity(tmp_path / "machine-id")
    assert identity is not None
    assert len(identity) == 12
    assert identity not in "4f6c8f1e2d3b4a5968778695a4b3c2d1"


@pytest.mark.parametrize("content", [None, b"", b"\n", b"\xff\xfe"])
def test_a_machine_without_a_readable_id_has_no_identity(tmp_path: Path, content: bytes | None) -> None:
    if content is not None:
        (tmp_path / "machine-id").write_bytes(content)
    assert machine_identity(tmp_path / "machine-id") is None
