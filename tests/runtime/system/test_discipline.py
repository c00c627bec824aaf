from __future__ import annotations

import ctypes
import shutil
import subprocess

import pytest

from residue.runtime.system.discipline import Discipline, discipline


def test_the_kernel_tells_the_state_of_the_clock() -> None:
    found = discipline()
    assert found is not None
    assert found.estimated_ms >= 0.0
    assert 0.0 <= found.most_ms <= 16_000.0, "STA_UNSYNC is set from 16 s on: NTP_PHASE_LIMIT in the kernel's timex.h"


def test_it_is_what_another_reader_of_the_kernel_says() -> None:
    """Against perl's own call of the system call, with the layout of adjtimex(2) written by hand."""
    if shutil.which("perl") is None:
        pytest.fail("perl is missing: apt-get install perl-base")
    code = 'my $t = pack("L x4 q4 l x4 q27", 0, (0) x 32); syscall(159, $t); print join " ", unpack("L x4 q4 l", $t)'
    said = subprocess.run(["perl", "-e", code], capture_output=True, text=True, check=True).stdout.split()
    found = discipline()
    assert found is not None
    assert found.disciplined == (not int(said[5]) & 0x40)
    assert found.estimated_ms == pytest.approx(int(said[4]) / 1000.0)


class Forbidding:
    def adjtimex(self, _asked: object) -> int:
        return -1


class Telling:
    """A kernel in the state that it is given: status, esterror, maxerror, as in adjtimex(2)."""

    def __init__(self, status: int, estimated_us: int, most_us: int) -> None:
        self._told = (status, estimated_us, most_us)

    def adjtimex(self, asked: ctypes._Pointer) -> int:  # type: ignore[type-arg]
        asked._obj.status, asked._obj.esterror, asked._obj.maxerror = self._told  # type: ignore[attr-defined]
        return 5 if self._told[0] & 0x40 else 0


@pytest.mark.parametrize(
    ("kernel", "told"),
    [
        (Telling(0x2001, 50, 31_000), Discipline(disciplined=True, estimated_ms=0.05, most_ms=31.0)),
        (Telling(0x0040, 16_000_000, 16_000_000), Discipline(disciplined=False, estimated_ms=16_000, most_ms=16_000)),
        (Forbidding(), None),
    ],
)
def test_each_state_is_told(kernel: object, told: Discipline | None, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(ctypes, "CDLL", lambda _name: kernel)
    assert discipline() == told
