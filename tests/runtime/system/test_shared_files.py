from __future__ import annotations

import os
from pathlib import Path

from residue.runtime.system.shared_files import put_shared


def test_the_group_may_read_and_write_whatever_the_umask_is(tmp_path: Path) -> None:
    before = os.umask(0o077)
    try:
        put_shared(tmp_path / "hours-answer.txt", b"TAKEN")
    finally:
        os.umask(before)
    assert (tmp_path / "hours-answer.txt").read_bytes() == b"TAKEN"
    assert (tmp_path / "hours-answer.txt").stat().st_mode & 0o777 == 0o664


def test_a_link_in_its_way_is_replaced_and_not_followed(tmp_path: Path) -> None:
    other = tmp_path / "of-somebody-else"
    other.write_bytes(b"rye")
    for name in ("hours-answer.txt", ".hours-answer.txt.new"):
        (tmp_path / name).symlink_to(other)
    put_shared(tmp_path / "hours-answer.txt", b"TAKEN")
    assert other.read_bytes() == b"rye"
    assert not (tmp_path / "hours-answer.txt").is_symlink()
