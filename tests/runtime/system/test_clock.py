"""The clocks of the machine."""

from __future__ import annotations

import errno
from pathlib import Path

import pytest

from residue.runtime.system import clock
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


def test_a_boot_has_the_same_name_where_the_unit_hides_what_the_kernel_calls_it(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """systemd writes it without dashes. Source: systemd.unit(5), specifier %b."""
    named = uptime().boot
    assert named
    monkeypatch.setattr(clock, "_BOOT_ID", tmp_path / "hidden")
    monkeypatch.setenv("RESIDUE_BOOT_ID", named.replace("-", ""))
    monkeypatch.setattr(clock, "_boot", clock._boot.__wrapped__)  # which remembers nothing
    assert uptime().boot == named
