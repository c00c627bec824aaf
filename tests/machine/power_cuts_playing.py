"""Power cuts while a house plays at its cap: python -m tests.machine.power_cuts_playing [--cuts N] [--seed N].

A virtual machine plays evenings that begin with an outburst, which the plan has brought up to a cap; after an
interruption an evening begins again. So a start that did not know what was sent before a cut would pass the cap by some
decibels. At each cut the disks are copied as they stand, and a machine is switched on with the copies, some seconds
later by its clock: kernel, systemd and unit do all of what they do after a cut. What had been sent until the cut the
log of the first machine tells in full, as it runs on; it is paused while the other one has its power.
"""

from __future__ import annotations

import argparse
import json
import math
import random
import shlex
import shutil
import sys
import tempfile
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime
from itertools import dropwhile
from pathlib import Path
from typing import Any

import numpy as np
import soundfile

from residue.archive.bag import seal
from residue.archive.performance import FILE_NAME, Channel, ChannelKind, Performance, write_performance
from residue.runtime.journal.event_kinds import LOG_DAMAGED, SPOILT
from residue.runtime.journal.telling import UNLOGGED_MOST_S
from tests.machine.debian import with_a_house
from tests.machine.test_unit import CARD, PORT, STATE, plays
from tests.machine.virtual_machine import Machine, VirtualMachine, running

SEED = 1
APART_S = 2.0, 12.0
"""By the guest's clock."""
OFF_S = 5, 25
"""From the cut to the power."""
WINDOW_S, LIMIT_DBFS = 120.0, -45.0
OUTBURST_S, EVENING_S = 6.0, 120.0
EAR = "C at place, dBFS, at most"
GRAIN_DB = 0.1
"""Of a row that a window begins within counts the share in it, as if it were even: our own bound of what that errs."""
LOOK = f"""
import json, sqlite3
log = sqlite3.connect("file:{STATE}/levels.sqlite?mode=ro", uri=True)
print(json.dumps({{
    "whole": log.execute("PRAGMA integrity_check").fetchall(),
    "rows": log.execute("SELECT utc, duration_s, sent FROM second ORDER BY rowid").fetchall(),
    "events": log.execute("SELECT kind, text FROM event ORDER BY rowid").fetchall(),
    "memory": json.loads(open("{STATE}/memory.json").readline()),
}}))
"""
COMPLAINTS = (
    "journalctl --quiet --boot --dmesg --priority=err -o cat --grep='pmem|EXT4|I/O error|corrupt'",
    "journalctl --quiet --boot --unit=residue --priority=warning -o cat",
    "systemctl --failed --no-legend",
)


@dataclass(frozen=True, slots=True)
class Sent:
    """What a row of the log tells; ended_s: seconds since the epoch. level_db: at the only ear of a cap."""

    ended_s: float
    duration_s: float
    level_db: float

    @property
    def begun_s(self) -> float:
        return self.ended_s - self.duration_s


@dataclass(frozen=True, slots=True)
class Outcome:
    """What one cut came to.

    lost_s: of what was sent, so much is not in the log that the cut left. silent_s: from the power to the first sound.
    highest_db: the level of the fullest window of the cap that ends after the cut, with all that was sent before.
    forgetful_db: the same, had the run after the cut begun like the first one, which had nothing to remember.
    """

    off_s: float
    lost_s: float
    silent_s: float
    highest_db: float
    forgetful_db: float


def prepare(debian: Path) -> None:
    """Evenings with an outburst, the cap, a card, and hours that begin an evening again."""
    installation = debian / "srv/residue"
    room, hours = installation / "room.toml", installation / "hours.toml"
    limit = f'quantity = "LCeq"\nwindow_s = {WINDOW_S:g}\nlimit_dbfs = {LIMIT_DBFS}'
    text = room.read_text(encoding="utf-8").replace('device = "silent"', 'device = "gallery"')
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


def cut(computer: VirtualMachine, machine: Machine, left: Path, off_s: int) -> Outcome:
    """One cut, and the boot after it; left: where the disks go.

    Raises AssertionError where anything is not whole, TimeoutError or RuntimeError where it does not play by itself.
    """
    computer.cut_copy(machine.disks, left)
    cut_s = float(computer.run("date +%s.%N"))
    """The cut was then or before."""
    told = rows(looked(computer, until_s=cut_s))
    sent = [one for one in told if one.begun_s < cut_s]
    on_s = math.ceil(cut_s + off_s)
    copies = replace(machine, disks=[left / disk.name for disk in machine.disks])
    with computer.paused(), running(copies, left, datetime.fromtimestamp(on_s, UTC), "rw") as again:
        plays(again)
        again.run(f"sleep {OUTBURST_S}")
        assert "state: RUNNING" in again.run(f"cat {CARD}/status"), "it sounds on the card"
        found = looked(again)
        complaints = again.run("; ".join(COMPLAINTS), check=False)
    shutil.rmtree(left)
    assert found["whole"] == [["ok"]], found["whole"]
    assert not {kind for kind, _ in found["events"]} & {LOG_DAMAGED, SPOILT}, found["events"]
    assert complaints == "", complaints
    known, after = ([one for one in rows(found) if (one.ended_s > on_s) is later] for later in (False, True))
    assert known == told[: len(known)], "what was said to be on the disk is there"
    lost_s = sum(one.duration_s for one in sent[len(known) :] if one.level_db > -math.inf)
    assert lost_s <= UNLOGGED_MOST_S, f"{lost_s:.1f} s are lost"
    first_sound_s = begun(after)[0].begun_s
    opening = [one for one in begun(told) if one.begun_s < begun(told)[0].begun_s + OUTBURST_S]
    forgetful = [*moved(opening, first_sound_s)]
    return Outcome(
        on_s - cut_s,
        lost_s,
        first_sound_s - on_s,
        highest_db([*sent, *after], after),
        highest_db([*sent, *forgetful], forgetful),
    )


def begun(told: Sequence[Sent]) -> Sequence[Sent]:
    """From the first sound on."""
    return [*dropwhile(lambda one: one.level_db == -math.inf, told)]


def looked(computer: VirtualMachine, until_s: float = 0.0) -> dict[str, Any]:
    """What its log and its memory hold, once a moment is logged."""
    while True:
        told: dict[str, Any] = json.loads(computer.run(f"python3 -c {shlex.quote(LOOK)}"))
        if (of_now := rows(told)) and of_now[-1].ended_s >= until_s:
            return told
        computer.run("sleep 1")


def rows(told: dict[str, Any]) -> list[Sent]:
    levels = ((utc, duration_s, json.loads(sent)[EAR]) for utc, duration_s, sent in told["rows"])
    return [
        Sent(datetime.fromisoformat(utc).timestamp(), duration_s, -math.inf if level is None else level)
        for utc, duration_s, level in levels
    ]


def moved(told: Sequence[Sent], to_s: float) -> Iterator[Sent]:
    """The same, beginning at another moment."""
    by_s = to_s - told[0].begun_s
    return (replace(one, ended_s=one.ended_s + by_s) for one in told)


def highest_db(told: Sequence[Sent], ends: Sequence[Sent]) -> float:
    """The level of the fullest window of the cap that ends with one of some rows; in silence there is none."""
    highest = max((sum(energies(told, end.ended_s)) for end in ends), default=0.0)
    return 10 * math.log10(highest / WINDOW_S) if highest else -math.inf


def energies(told: Sequence[Sent], end_s: float) -> Iterator[float]:
    for one in told:
        within_s = min(one.ended_s, end_s) - max(one.begun_s, end_s - WINDOW_S)
        yield max(0.0, within_s) * 10 ** (one.level_db / 10)


def outcomes(folder: Path, count: int, seed: int = SEED) -> Iterator[Outcome]:
    """Cuts one after the other. Raises AssertionError where one is not survived."""
    chance = random.Random(seed)
    with (
        with_a_house(folder / "machine", PORT, prepare) as machine,
        running(machine, folder, datetime.now(UTC), "rw") as computer,
    ):
        plays(computer)
        computer.run(f"sleep {OUTBURST_S}")
        for number in range(count):
            computer.run(f"sleep {chance.uniform(*APART_S)}")
            try:
                yield cut(computer, machine, folder / "left", chance.randint(*OFF_S))
            except (AssertionError, TimeoutError, RuntimeError) as error:
                raise AssertionError(f"cut {number + 1} of seed {seed}: {error}") from error


def main() -> None:
    """Print what each cut came to."""
    parser = argparse.ArgumentParser(prog="python -m tests.machine.power_cuts_playing", description=__doc__)
    parser.add_argument("--cuts", type=int, default=50)
    parser.add_argument("--seed", type=int, default=SEED)
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        for number, one in enumerate(outcomes(Path(folder), given.cuts, given.seed)):
            sys.stdout.write(
                f"{number + 1}: off for {one.off_s:.1f} s, {one.lost_s:.1f} s not logged, sounds {one.silent_s:.1f} s "
                f"after the power, fullest window {one.highest_db - LIMIT_DBFS:+.2f} dB re its limit, of one that "
                f"forgets {one.forgetful_db - LIMIT_DBFS:+.2f} dB\n"
            )
            sys.stdout.flush()


if __name__ == "__main__":
    main()
