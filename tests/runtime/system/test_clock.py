"""The clocks of the machine."""

from __future__ import annotations

import errno
from pathlib import Path

import pytest

from residue.runtime.system.clock import uptime


def test_the_loop_of_the_house_is_told_the_time_where_no_more_files_can_be_opened(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    before = uptime()

    def full(*_: object, **__: object) -> str:
        raise OSError(errno.EMFILE, "Too many open files")

    monkeypatch.setattr(Path, "read_text", full)
    after = uptime()
    assert after.boot == before.boot
    assert after.seconds >= before.seconds
