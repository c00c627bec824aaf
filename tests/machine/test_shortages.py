"""The daemon, a real process, where it has to share, runs out of something, or meets a disk that no longer reads."""

from __future__ import annotations

import resource
from pathlib import Path
from typing import Any

import pytest

from residue.archive.bag import payload_digest
from tests.machine.needs import need
from tests.runtime.asking import until
from tests.runtime.running import Daemon

pytestmark = [pytest.mark.machine, pytest.mark.timeout(1_800)]

SILENT = ("--device", "silent")
PATIENCE_S = 600.0


def plays(daemon: Daemon, name: str | None = None) -> dict[str, Any]:
    return until(
        daemon.port,
        lambda told: (
            told["house"] == "playing" and (told["playhead_s"] or 0.0) > 1.0 and name in (None, told["performance"])
        ),
        PATIENCE_S,
    )


def goes_on(daemon: Daemon, told: dict[str, Any]) -> dict[str, Any]:
    """Two seconds more of frames."""
    return until(daemon.port, lambda now: now["health"]["frames"] > told["health"]["frames"] + 96_000, PATIENCE_S)


def test_a_second_one_on_the_same_state_folder_ends_with_a_sentence_and_the_first_plays_on(daemon: Daemon) -> None:
    first = daemon.start(*SILENT)
    told = plays(daemon)
    second = daemon.start(*SILENT)
    _, said = second.communicate(timeout=PATIENCE_S)
    assert second.returncode == 1
    assert "Another residue uses it at this moment." in said
    assert "Traceback" not in said
    assert goes_on(daemon, told)["house"] == "playing"
    assert first.poll() is None
    daemon.process = first


def test_without_a_file_to_open_it_plays_on_says_so_and_catches_up(daemon: Daemon) -> None:
    process = daemon.start(*SILENT)
    plays(daemon)
    before = resource.prlimit(process.pid, resource.RLIMIT_NOFILE)
    highest = max(int(path.name) for path in Path(f"/proc/{process.pid}/fd").iterdir())
    resource.prlimit(process.pid, resource.RLIMIT_NOFILE, (highest + 1, before[1]))
    daemon.ask("/house/trim", -6.0)
    told = until(
        daemon.port, lambda told: any("Too many open files" in one for one in told["health"]["alarms"]), PATIENCE_S
    )
    on = goes_on(daemon, told)
    assert (on["house"], on["health"]["trim_db"]) == ("playing", -6.0)
    daemon.ask("/house/next")
    until(daemon.port, lambda told: told["performance"] != on["performance"] or told["house"] != "playing", PATIENCE_S)
    resource.prlimit(process.pid, resource.RLIMIT_NOFILE, before)
    plays(daemon)
    until(daemon.port, lambda told: not any("open files" in one for one in told["health"]["alarms"]), PATIENCE_S)
    assert process.poll() is None


def test_without_memory_it_plays_on_or_ends_and_plays_at_the_next_start(daemon: Daemon) -> None:
    process = daemon.start(*SILENT)
    plays(daemon)
    pages = int(Path(f"/proc/{process.pid}/statm").read_text().split()[0])
    limit = pages * resource.getpagesize() + (4 << 20)
    resource.prlimit(process.pid, resource.RLIMIT_AS, (limit, limit))
    daemon.ask("/house/trim", -6.0)
    daemon.ask("/house/next")
    try:
        until(daemon.port, lambda told: told["house"] == "playing" and (told["playhead_s"] or 0.0) > 5.0, 60.0)
    except (AssertionError, TimeoutError, OSError):
        process.kill()  # as the watchdog of systemd does with one that does not answer
    if process.poll() is None:
        process.kill()
    process.communicate()
    daemon.start(*SILENT)
    assert plays(daemon)["health"]["trim_db"] == -6.0


def test_a_sector_that_is_no_longer_read_costs_its_performance_and_not_the_house(daemon: Daemon) -> None:
    """The disk answers EIO for each prepared channel of what plays first."""
    need("strace")
    [folder] = [path.parent for path in daemon.cache.rglob("forearm.fast.npy") if "first" in played(path, daemon)]
    of_first = [option for file in folder.glob("*.npy") for option in ("-P", str(file))]
    failing = ["strace", "-D", "-f", "-qq", "-o", str(daemon.folder / "calls.txt"), *of_first]
    process = daemon.start(*SILENT, within=[*failing, "-e", "trace=pread64", "--inject=pread64:error=EIO"])
    told = plays(daemon, "second-batch")
    assert any("A performance failed within its graph; it is left out." in one["text"] for one in told["events"])
    assert goes_on(daemon, told)["house"] == "playing"
    assert process.poll() is None


def played(prepared: Path, daemon: Daemon) -> str:
    """The performance that a prepared channel is of, by the digest of its bag."""
    bags = (daemon.installation / "performances").iterdir()
    return next(bag.name for bag in bags if prepared.parent.name.startswith(payload_digest(bag)))
