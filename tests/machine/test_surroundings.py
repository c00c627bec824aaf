"""The daemon, a real process, where disk, network and system calls fail."""

from __future__ import annotations

import errno
import re
import shutil
import signal
import sqlite3
from contextlib import closing, suppress
from pathlib import Path
from typing import Any

import pytest

from residue.runtime.house.memory import remembered
from tests.machine.needs import need
from tests.machine.surroundings import read_only_but, seen, small_disk, traced, with_mounts, without_a_network
from tests.runtime.asking import until
from tests.runtime.running import Daemon

pytestmark = [pytest.mark.machine, pytest.mark.timeout(300)]

SILENT = ("--device", "silent")


def plays(daemon: Daemon) -> dict[str, Any]:
    return until(daemon.port, lambda told: told["house"] == "playing" and (told["playhead_s"] or 0.0) > 1.0, 120.0)


def fill(path: Path) -> None:
    with suppress(OSError), path.open("wb", buffering=0) as file:
        while True:
            file.write(bytes(4_096))


def events(log: Path) -> list[str]:
    with closing(sqlite3.connect(log)) as reader:
        assert reader.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        return [f"{kind}: {text}" for kind, text in reader.execute("SELECT kind, text FROM event ORDER BY rowid")]


def log_fails(told: dict[str, Any]) -> bool:
    return any("log cannot be written" in alarm for alarm in told["health"]["alarms"])


def test_a_full_disk_does_not_stop_the_sound_and_is_caught_up_with(daemon: Daemon) -> None:
    need("unshare", root=True)
    process = daemon.start(*SILENT, within=small_disk(daemon.state, "2m"))
    plays(daemon)
    filler = seen(process.pid, daemon.state / "filler")
    fill(filler)
    daemon.ask("/house/trim", -6.0)
    full = until(daemon.port, log_fails)
    assert any("3 dB below every cap" in alarm for alarm in full["health"]["alarms"])
    on = until(daemon.port, lambda told: told["health"]["frames"] > full["health"]["frames"] + 96_000)
    assert (on["house"], on["health"]["trim_db"]) == ("playing", -6.0)
    filler.unlink()
    until(daemon.port, lambda told: not log_fails(told))
    process.send_signal(signal.SIGSTOP)  # nobody writes while we read
    copy = shutil.copytree(seen(process.pid, daemon.state), daemon.folder / "copy")
    process.kill()
    assert any("trim" in event for event in events(copy / "levels.sqlite")), "what happened meanwhile is in the log"
    assert remembered(copy)[0].trim_db == -6.0


def test_a_disk_that_is_full_at_the_start_silences_the_house_only_until_there_is_room(daemon: Daemon) -> None:
    """Even before anything was prepared, which needs room."""
    need("unshare", root=True)
    cache = daemon.cache
    full = f'mount -t tmpfs -o size=64M tmpfs "{cache}"; head -c 65M /dev/zero >"{cache}/filler" || true'
    process = daemon.start(*SILENT, within=with_mounts(full))
    said = until(daemon.port, lambda told: told["house"] == "faulted")
    assert "The disk is full." in said["health"]["why"]
    seen(process.pid, cache / "filler").unlink()
    plays(daemon)


def test_a_machine_that_comes_up_with_full_disks_plays_what_it_played(daemon: Daemon) -> None:
    need("unshare", root=True)
    daemon.state.mkdir()
    full = [
        f'cp -a "{folder}" "{folder}.before"; mount -t tmpfs -o size=64M tmpfs "{folder}"; '
        f'cp -a "{folder}.before/." "{folder}"; head -c 65M /dev/zero >"{folder}/filler" || true'
        for folder in (daemon.state, daemon.cache)
    ]
    daemon.start(*SILENT, within=with_mounts(*full))
    plays(daemon)
    assert until(daemon.port, log_fails)["house"] == "playing"


def test_one_writable_folder_is_enough(daemon: Daemon) -> None:
    need("unshare", root=True)
    writable = daemon.folder / "writable"
    daemon.state = writable / "state"
    daemon.cache = writable / "cache"
    process = daemon.start(*SILENT, within=read_only_but(writable))
    assert plays(daemon)["health"]["alarms"] == []
    with pytest.raises(OSError, match=re.escape(f"[Errno {errno.EROFS}]")):
        seen(process.pid, daemon.folder / "anything").touch()


def test_it_speaks_to_nobody_but_whom_room_toml_names(daemon: Daemon) -> None:
    """Every address that it and its planner connect or send to, as the kernel sees it, without a network."""
    need("strace", "unshare", "ip", root=True)
    room = daemon.installation / "room.toml"
    room.write_text(room.read_text() + '\n[[control.feed]]\nhost = "127.0.0.9"\nport = 9000\n')
    calls = daemon.folder / "calls.txt"
    within = [*without_a_network(), *traced(calls, "connect,sendto,sendmsg,sendmmsg")]
    process = daemon.start(*SILENT, "--for-s", "15", within=within)
    daemon.told("READY=1")
    _, errors = process.communicate(timeout=200)
    assert process.returncode == 0, errors
    written = calls.read_text()
    assert "AF_UNIX" in written, "the service manager was told"
    reached = set(re.findall(r'sin6?_addr=inet_\w+\((?:AF_INET6, )?"([^"]+)"', written))
    assert reached <= {"127.0.0.1", "127.0.0.9"}


TORN = [
    pytest.param(call, number, id=f"{call} {number}")
    for call, numbers in {
        "fsync": (1, 2, 5),
        "rename": (1, 2, 3),
        "fdatasync": (1, 3, 6),
        "pwrite64": (2, 9, 20),
    }.items()
    for number in numbers
]


@pytest.mark.parametrize(("call", "number"), TORN)
def test_a_kill_within_a_system_call_leaves_the_old_or_the_new(daemon: Daemon, call: str, number: int) -> None:
    """Killed by strace as it enters the call: what memory.json and the log hold is whole, and the next run says so."""
    need("strace")
    killed = traced(daemon.folder / "calls.txt", call, f"{call}:signal=KILL:when={number}")
    process = daemon.start(*SILENT, "--for-s", "20", within=killed)
    process.communicate(timeout=200)
    log = daemon.state / "levels.sqlite"
    assert remembered(daemon.state)[1] == []
    if log.exists():
        with closing(sqlite3.connect(log)) as reader:
            assert reader.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    again = daemon.start(*SILENT, "--for-s", "1")
    _, errors = again.communicate(timeout=200)
    assert again.returncode == 0, errors
    assert "cannot be read" not in errors


@pytest.mark.parametrize("fault", ["fsync:error=EIO", "pwrite64:error=ENOSPC", "rename:error=EROFS"])
def test_a_disk_that_refuses_for_good_does_not_stop_the_sound(daemon: Daemon, fault: str) -> None:
    need("strace")
    call = fault.partition(":")[0]
    daemon.start(*SILENT, within=traced(daemon.folder / "calls.txt", call, f"{fault}:when=1+"))
    told = plays(daemon)
    on = until(daemon.port, lambda now: now["health"]["frames"] > told["health"]["frames"] + 96_000)
    assert on["house"] == "playing"
    until(daemon.port, log_fails)
