"""Power cuts while a house plays at its cap: python -m tests.machine.power_cuts_playing [--cuts N] [--seed N].

A virtual machine plays two evenings that begin with an outburst, which a plan has brought up to a cap over a minute;
after an interruption an evening begins again. So a start that did not know what was sent before a cut would pass the
cap by some decibels. At each cut the disk is copied as it stands, repaired as a boot would, and the program starts on
the copy as on a machine that is up again some seconds later: with the clock and the time since the boot of that moment.
It plays without a plan of its own making, and what it sends is added to what the machine had sent until the cut, which
its own log tells in full, as it ran on. While the program plays, the machine is paused, as it takes a processor.
"""

from __future__ import annotations

import argparse
import json
import math
import random
import shutil
import sqlite3
import sys
import tempfile
import time
from collections.abc import Iterator, Sequence
from contextlib import closing
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

import numpy as np
import soundfile

from residue.archive.bag import seal
from residue.archive.performance import FILE_NAME, Channel, ChannelKind, Performance, write_performance
from residue.runtime.system.clock import uptime
from tests.machine.debian import with_a_house
from tests.machine.power_cuts import repaired
from tests.machine.test_unit import STATE, logged, plays
from tests.machine.virtual_machine import VirtualMachine, running
from tests.machine.wall_clock import WallClock
from tests.runtime.asking import until
from tests.runtime.running import Daemon

SEED = 1
APART_S = 2.0, 12.0
"""By the guest's clock."""
OFF_S = 5, 25
"""From the cut to the start of the program; the machine is up for half of it."""
WINDOW_S, LIMIT_DBFS = 60.0, -45.0
OUTBURST_S, EVENING_S = 6.0, 60.0
ROWS = "SELECT utc, duration_s, sent FROM second ORDER BY rowid"
GRAIN_DB = 0.1
"""Of a row that a window begins within counts the share in it, as if it were even: our own bound of what that errs."""
PLAYS_WITHIN_S = 300.0
"""By the clock of the real computer, which may be busy."""


@dataclass(frozen=True, slots=True)
class Sent:
    """What a row of the log tells; ended_s: seconds since the epoch. level_db: at the only ear of a cap."""

    ended_s: float
    duration_s: float
    level_db: float


@dataclass(frozen=True, slots=True)
class Outcome:
    """What one cut came to.

    lost_s: of what was sent, so much is not in the log that the cut left. highest_db: the level of the fullest window
    of the cap that ends in the run after it, with all that was sent before. forgetful_db: the same, had that run begun
    like the first one, which had nothing to remember.
    """

    off_s: int
    lost_s: float
    highest_db: float
    forgetful_db: float


def prepare(debian: Path) -> None:
    """Evenings with an outburst, the cap, and hours that begin an evening again."""
    installation = debian / "srv/residue"
    room, hours = installation / "room.toml", installation / "hours.toml"
    limit = f'quantity = "LCeq"\nwindow_s = {WINDOW_S:g}\nlimit_dbfs = {LIMIT_DBFS}'
    text = room.read_text(encoding="utf-8")
    room.write_text(text.replace('quantity = "LAeq"\nwindow_s = 60\nlimit_dbfs = -20.0', limit), encoding="utf-8")
    assert limit in room.read_text(encoding="utf-8")
    hours.write_text(f'{hours.read_text(encoding="utf-8")}after_interruption = "restart"\n', encoding="utf-8")
    frames = round(EVENING_S * 48_000)
    for seed, name in enumerate(("first-batch", "second-batch")):
        bag = installation / "performances" / name
        shutil.rmtree(bag)
        with tempfile.TemporaryDirectory() as folder:
            murmur = np.random.default_rng(seed).normal(0.0, 0.01, frames)
            murmur[: round(OUTBURST_S * 48_000)] *= 20.0
            soundfile.write(Path(folder, "arm.flac"), murmur.clip(-0.9, 0.9), 48_000, subtype="PCM_16")
            channel = Channel(kind=ChannelKind.MMG, file="arm.flac", unit="V")
            described = write_performance(Performance(title=name, channel={"forearm": channel}))
            Path(folder, FILE_NAME).write_text(described, encoding="utf-8")
            seal(Path(folder), bag, {}, date(2026, 3, 1))


class Cuts:
    """A machine that plays, and the program on copies of its disk."""

    def __init__(self, computer: VirtualMachine, disk: Path, after: Daemon) -> None:
        """after: what runs after each cut, with the machine's installation and cache."""
        self._computer, self._disk, self._after = computer, disk, after
        self._clock = WallClock(after.folder)
        self._opening = [one for one in self._sent(until_s=0.0) if one.level_db > LIMIT_DBFS]

    def cut(self, off_s: int) -> Outcome:
        """One cut, and the run after it. Raises AssertionError where it does not say what is lost, or does not play."""
        left = self._after.folder / "cut.img"
        self._computer.cut_copy(self._disk, left)
        cut_at_s = float(self._computer.run("date +%s.%N"))
        """The cut was then or before."""
        sent = [one for one in self._sent(until_s=cut_at_s) if one.ended_s - one.duration_s < cut_at_s]
        with self._computer.paused(), repaired(left, STATE.removeprefix("/var")) as state:
            known = rows(state)
            start_s = cut_at_s + off_s
            self._clock.set_ahead(round(start_s - time.time()), booted=round(off_s / 2 - uptime().seconds))
            told = self._plays(state)
            after = rows(state)[len(known) :]
        left.unlink()
        lost_s = sum(one.duration_s for one in sent[len(known) :])
        assumed_s = max((one["assumed_s"] for one in told["assumed"]), default=0.0)
        assert sent[: len(known)] == known, "what was said to be on the disk is there"
        assert lost_s <= assumed_s, f"{lost_s:.1f} s are lost, and {assumed_s} s are counted"
        forgetful = [*moved(self._opening, start_s)]
        return Outcome(off_s, lost_s, highest_db([*sent, *after], after), highest_db([*sent, *forgetful], forgetful))

    def _sent(self, until_s: float) -> list[Sent]:
        """What the machine has sent, and logged by now; waits until it has logged this moment."""
        while not (told := [sent(*row) for row in logged(self._computer, ROWS)]) or told[-1].ended_s < until_s:
            self._computer.run("sleep 1")
        return told

    def _plays(self, state: Path) -> dict[str, Any]:
        """The status of a run on this state folder, once it has played the outburst."""
        self._after.state = state
        self._after.start("--device", "silent", environment=self._clock.environment)
        try:
            return until(self._after.port, played_the_outburst, PLAYS_WITHIN_S)
        finally:
            self._after.kill()


def played_the_outburst(told: dict[str, Any]) -> bool:
    return told["house"] == "playing" and (told["playhead_s"] or 0.0) > OUTBURST_S + 1.0


def rows(state: Path) -> list[Sent]:
    with closing(sqlite3.connect(state / "levels.sqlite")) as reader:
        assert reader.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        return [sent(*row) for row in reader.execute(ROWS)]


def sent(utc: str, duration_s: float, levels: str) -> Sent:
    """The ear of the cap hears the most of all."""
    level_db = max((one for one in json.loads(levels).values() if one is not None), default=-math.inf)
    return Sent(datetime.fromisoformat(utc).timestamp(), duration_s, level_db)


def moved(told: Sequence[Sent], to_s: float) -> Iterator[Sent]:
    """The same, beginning at another moment."""
    by_s = to_s - (told[0].ended_s - told[0].duration_s)
    return (replace(one, ended_s=one.ended_s + by_s) for one in told)


def highest_db(told: Sequence[Sent], ends: Sequence[Sent]) -> float:
    """The level of the fullest window of the cap that ends with one of some rows; in silence there is none."""
    levels = (10 * math.log10(sum(energies(told, end.ended_s)) / WINDOW_S) for end in ends)
    return max(levels, default=-math.inf)


def energies(told: Sequence[Sent], end_s: float) -> Iterator[float]:
    for one in told:
        begin_s = max(one.ended_s - one.duration_s, end_s - WINDOW_S)
        yield max(0.0, min(one.ended_s, end_s) - begin_s) * 10 ** (one.level_db / 10)


def outcomes(folder: Path, count: int, seed: int = SEED) -> Iterator[Outcome]:
    """Cuts one after the other. Raises AssertionError where one is not survived."""
    chance, after = random.Random(seed), Daemon(folder)
    with with_a_house(folder / "machine", after.port, prepare) as machine:
        shutil.rmtree(after.installation)
        for disk, path, place in (
            (machine.disks[0], "/srv/residue", after.installation),
            (machine.disks[1], "/cache/private/residue", after.cache / "residue"),
        ):
            with repaired(disk, path) as found:
                shutil.copytree(found, place)
        with running(machine, folder, datetime.now(UTC), "rw") as computer:
            plays(computer)
            computer.run(f"sleep {OUTBURST_S + 3.0}")
            all_cuts = Cuts(computer, machine.disks[1], after)
            for number in range(count):
                computer.run(f"sleep {chance.uniform(*APART_S)}")
                try:
                    yield all_cuts.cut(chance.randint(*OFF_S))
                except AssertionError as error:
                    raise AssertionError(f"cut {number} of seed {seed}: {error}") from error
    after.end()


def main() -> None:
    """Print what each cut came to."""
    parser = argparse.ArgumentParser(prog="python -m tests.machine.power_cuts_playing", description=__doc__)
    parser.add_argument("--cuts", type=int, default=50)
    parser.add_argument("--seed", type=int, default=SEED)
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        for number, one in enumerate(outcomes(Path(folder), given.cuts, given.seed)):
            sys.stdout.write(
                f"{number + 1}: off for {one.off_s} s, {one.lost_s:.1f} s not logged, fullest window "
                f"{one.highest_db - LIMIT_DBFS:+.2f} dB re its limit, of one that forgets "
                f"{one.forgetful_db - LIMIT_DBFS:+.2f} dB\n"
            )
            sys.stdout.flush()


if __name__ == "__main__":
    main()
