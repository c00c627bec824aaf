"""Both demos on a quarter of one processor of this machine, planned before: no block comes late."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

import pytest

from tests.bench.speed import DEMOS, open_now
from tests.machine.small_processor import share_of_a_processor
from tests.runtime.asking import until
from tests.runtime.running import free_port

pytestmark = [pytest.mark.machine, pytest.mark.timeout(1_800)]

QUARTER = 0.25
PLAYED_S = 60
PATIENCE_S = 900.0


@contextmanager
def playing(installation: Path, port: int, within: Sequence[str]) -> Iterator[None]:
    """A daemon on the silent sink, which keeps time; it plays a performance, and everything is planned."""
    command = [*within, sys.executable, "-m", "residue", "run", str(installation), "--device", "silent"]
    state, cache = installation.parent / "state", installation.parent / "cache"
    environment = {**os.environ, "XDG_CACHE_HOME": str(cache)}
    process = subprocess.Popen([*command, "--state", str(state)], env=environment, stderr=subprocess.DEVNULL)
    try:
        until(port, lambda told: told["house"] == "playing" and told["health"]["planning"] is None, PATIENCE_S)
        yield
    finally:
        process.terminate()
        process.wait(PATIENCE_S)


@pytest.mark.parametrize("demo", DEMOS, ids=lambda path: path.name)
def test_no_block_comes_late_on_a_quarter_of_a_processor(demo: Path, tmp_path: Path) -> None:
    port = free_port()
    installation = open_now(demo, tmp_path / demo.name)
    room = (installation / "room.toml").read_text(encoding="utf-8")
    (installation / "room.toml").unlink()
    (installation / "room.toml").write_text(f"{room}\n[control]\nport = {port}\n", encoding="utf-8")
    with playing(installation, port, []):
        pass
    with share_of_a_processor(QUARTER) as small, playing(installation, port, small):
        first = until(port, lambda told: True)["health"]
        wanted = first["frames"] + PLAYED_S * 48_000
        last = until(port, lambda told: told["health"]["frames"] >= wanted, 3 * PLAYED_S)["health"]
    assert last["late_blocks"] == first["late_blocks"]
