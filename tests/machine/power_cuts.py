"""Power cuts while a machine logs, swaps and ingests: python -m tests.machine.power_cuts [--cuts N].

A virtual machine does all three again and again, on ext4. At each cut its processor is stopped within whatever it
does, and its disk is copied as it stands: what the guest had not written out is lost, as with a cut. So one boot serves
for all cuts. Each copy is repaired as a boot would (e2fsck), and what is found there is read by the program itself.

What a disk with a cache of its own may lose beyond that, though it said that all was written, is not among it.
"""

from __future__ import annotations

import argparse
import random
import re
import shutil
import sqlite3
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import closing, contextmanager
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import soundfile

from residue.archive.bag import seal
from residue.archive.fixity import is_valid, verify
from residue.archive.ingest.describe import read_description
from residue.archive.ingest.run import WORK as BEGUN
from residue.archive.ingest.run import ingest
from residue.archive.swap.taking import recover
from residue.runtime.journal.log import LevelLog, event
from residue.runtime.system.clock import uptime
from tests.archive.bags import recorded_folder, write_flac
from tests.machine.cut_work import NAME, ON, WORK
from tests.machine.debian import with_the_program
from tests.machine.virtual_machine import Machine, VirtualMachine, running

SEED = 1
APART_S = 1.0, 6.0
"""By the clock of the real computer."""
_SOURCES = "srv/work"
_PLACE = "/var/work"
_DESCRIBED = """title = "Dough"
[channel.arm]
kind = "mmg"
file = "arms.flac"
track = 1
unit = "V"
[channel.beats]
kind = "rr"
file = "beats.txt"
unit = "ms"
"""


def prepare(debian: Path) -> None:
    """Puts the work, and what it needs, into the root file system."""
    sources = debian / _SOURCES
    recorded = recorded_folder(sources / "recorded")
    write_flac(recorded / "arms.flac", seconds=0.5)
    for number in (0, 1):
        (recorded / "beats.txt").write_text(f"{800 + number}\n850\n", encoding="utf-8")
        seal(recorded, sources / "bags" / str(number), {}, ON)
    (sources / "stick").mkdir()
    for name in ("arms.flac", "beats.txt"):
        shutil.copy(recorded / name, sources / "stick")
    (sources / "describe.toml").write_text(_DESCRIBED, encoding="utf-8")
    shutil.copy(Path(__file__).with_name("cut_work.py"), sources)


def begin(computer: VirtualMachine) -> None:
    """All three kinds of work, side by side; what is done goes out of a serial line."""
    for kind in WORK:
        program = f"/opt/residue/.venv/bin/python -u /{_SOURCES}/cut_work.py {kind} {_PLACE}/{kind} /{_SOURCES}"
        computer.run(f"setsid sh -c '{program} >/dev/ttyS1 2>{_PLACE}.{kind} </dev/null' >/dev/null 2>&1 &")


def done(serial_line: Path) -> Mapping[str, int]:
    """The number of the last of each kind that is said to be on the disk."""
    said = re.findall(r"(logging|swapping|ingesting) (\d+)\r?\n", serial_line.read_text(errors="replace"))
    return {kind: int(number) for kind, number in said}


@contextmanager
def repaired(disk: Path, path: str = "/work") -> Iterator[Path]:
    """The files below a path on a disk after the repair of a boot; a copy of its own. Source: e2fsck(8), debugfs(8)."""
    with tempfile.TemporaryDirectory(dir=disk.parent) as folder:
        status = subprocess.run(["/sbin/e2fsck", "-fy", disk], capture_output=True, check=False).returncode
        assert status in (0, 1), f"e2fsck ended with {status}"
        subprocess.run(["/sbin/debugfs", "-R", f"rdump {path} {folder}", disk], capture_output=True, check=True)
        yield Path(folder, Path(path).name)


def check_logging(place: Path, said: int) -> str:
    """The log and memory are whole, have all that was said to be there, and take more."""
    with closing(sqlite3.connect(place / "levels.sqlite")) as reader:
        assert reader.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        rows = [int(text) for (text,) in reader.execute("SELECT text FROM event WHERE kind = 'work' ORDER BY rowid")]
    assert rows == list(range(len(rows))), "without a gap"
    assert len(rows) > said, f"{len(rows)} rows, {said} were said to be there"
    assert int((place / "memory.json").read_text()) in (len(rows) - 2, len(rows) - 1)
    with closing(LevelLog(place / "levels.sqlite")) as log:
        assert not log.sent_before(datetime.now(UTC), uptime(), 900.0).unreadable
        log.write([event(datetime.now(UTC), uptime(), "started", "")])
    return "between row and memory" if int((place / "memory.json").read_text()) < len(rows) - 1 else "at rest"


def check_swapping(place: Path, _said: int) -> str:
    """After the start of a house one whole performance stands in the place, and no half of anything."""
    standing = (place / NAME).is_dir()
    halves = [path.name for path in place.iterdir() if path.name != NAME]
    recover(place)
    assert is_valid(verify(place / NAME)), verify(place / NAME)
    left = {path.name for path in place.iterdir()}
    assert left <= {NAME, f".{NAME}.before", f".{NAME}.waiting", f".{NAME}.swap"}, left
    for name in left - {f".{NAME}.swap"}:
        assert is_valid(verify(place / name)), name
    return "without a performance in the place" if not standing else "within a swap" if len(halves) > 1 else "at rest"


def check_ingesting(place: Path, said: int, sources: Path) -> str:
    """Each bag is whole, the last that was said to be there too; what was begun can be ended."""
    bags = sorted(int(path.name) for path in place.iterdir() if path.name.isdecimal())
    being_removed = min(bags) if len(bags) > 3 else -1
    for number in bags:
        assert number == being_removed or number < said - 2 or is_valid(verify(place / str(number))), number
    assert said in bags, f"{bags}, {said} was said to be there"
    begun = any(path.name.startswith(BEGUN) for path in place.iterdir())
    following = place / str(max(bags) + 1)
    ingest([sources / "stick"], following, read_description(sources / "describe.toml"), ON)
    assert is_valid(verify(following))
    return "within an ingest" if begun else "at rest"


def cuts(machine: Machine, folder: Path, count: int) -> Iterator[tuple[str, str]]:
    """The kind of work, and what it was in, for each cut. Raises AssertionError where anything is not whole."""
    chance = random.Random(SEED)
    sources = folder / "sources"
    prepare_sources(sources)
    with running(replace(machine, own_time=False), folder, datetime.now(UTC), "rw") as computer:
        begin(computer)
        while set(done(computer.serial_line)) < set(WORK):
            time.sleep(1.0)
        for number in range(count):
            time.sleep(chance.uniform(*APART_S))
            before = done(computer.serial_line)
            computer.cut_copy(machine.disks[1:], folder / "cut")
            with repaired(folder / "cut" / machine.disks[1].name) as left:
                checks: Mapping[str, Callable[[Path, int], str]] = {
                    "logging": check_logging,
                    "swapping": check_swapping,
                    "ingesting": lambda place, said: check_ingesting(place, said, sources),
                }
                for kind, check in checks.items():
                    try:
                        yield kind, check(left / kind, before[kind])
                    except Exception as error:
                        raise AssertionError(f"cut {number}, {kind}: {error}") from error
            shutil.rmtree(folder / "cut")


def prepare_sources(sources: Path) -> None:
    """What is ingested, for the real computer, which ends what was begun."""
    (sources / "stick").mkdir(parents=True)
    soundfile.write(sources / "stick" / "arms.flac", np.zeros((480, 2)) + 0.1, 48_000)
    (sources / "stick" / "beats.txt").write_text("800\n850\n", encoding="utf-8")
    (sources / "describe.toml").write_text(_DESCRIBED, encoding="utf-8")


def main() -> None:
    """Print how often the power was cut within what."""
    parser = argparse.ArgumentParser(prog="python -m tests.machine.power_cuts", description=__doc__)
    parser.add_argument("--cuts", type=int, default=50)
    given = parser.parse_args()
    met: dict[tuple[str, str], int] = {}
    with tempfile.TemporaryDirectory() as folder, with_the_program(Path(folder, "machine"), prepare) as machine:
        for number, one in enumerate(cuts(machine, Path(folder), given.cuts)):
            met[one] = met.get(one, 0) + 1
            sys.stdout.write(f"{number // 3 + 1}: {one[0]}, {one[1]}\n")
            sys.stdout.flush()
    for (kind, where), times in sorted(met.items()):
        sys.stdout.write(f"{kind:<12}{where:<36}{times:>4}\n")


if __name__ == "__main__":
    main()
