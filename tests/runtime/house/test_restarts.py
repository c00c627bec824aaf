from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

from residue.runtime.house.restarts import MOST, Restarts
from residue.watchdog.checks import CHECKS

BY_NAME = {check.name: check for check in CHECKS}


def silent(kind: str, text: str) -> None:
    raise AssertionError(f"Nothing is to be told: {kind}: {text}")


class Wall:
    def __init__(self) -> None:
        self.wall = datetime(2026, 10, 3, 12, 0, tzinfo=UTC)

    def now(self) -> datetime:
        return self.wall

    def monotonic_s(self) -> float:
        return 0.0


def test_a_check_may_restart_the_program_so_often_within_an_hour_and_no_more(tmp_path: Path) -> None:
    clock, path = Wall(), tmp_path / "restarts.json"
    may = []
    for _ in range(MOST + 2):
        may.append(Restarts(path, clock, silent).may(BY_NAME["sounding"]))
        clock.wall += timedelta(minutes=1)
    assert may == [True] * MOST + [False, False]
    assert Restarts(path, clock, silent).may(BY_NAME["memory"]), "each check for itself"
    clock.wall += timedelta(hours=1)
    assert Restarts(path, clock, silent).may(BY_NAME["sounding"])


def test_an_engine_that_stands_may_always_be_restarted(tmp_path: Path) -> None:
    restarts = Restarts(tmp_path / "restarts.json", Wall(), silent)
    assert all(restarts.may(BY_NAME["engine stalls"]) for _ in range(3 * MOST))


def test_what_was_written_down_may_be_spoilt(tmp_path: Path) -> None:
    path = tmp_path / "restarts.json"
    for spoilt in (b"", b"{", b'{"sounding": 3}', b"\xff\xfe"):
        path.write_bytes(spoilt)
        told: list[str] = []
        assert Restarts(path, Wall(), lambda *line: told.extend(line)).may(BY_NAME["sounding"])  # noqa: B023 (at once)
        assert told[1].startswith("restarts.json cannot be read")
