"""What a program leaves on the disk: the house's memory, and the level log of the last quarter of an hour.

Memory and log are written when a program begins, as the one before left them, and read as the daemon reads them. In
between a bit may flip in any file of the state folder.
"""

from __future__ import annotations

import json
import random
from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import timedelta
from math import ceil
from pathlib import Path

import msgspec
import numpy as np

from residue.loudness.stage.history import SPARED_SHARE, SentHistory
from residue.records import encode_record
from residue.runtime.house.memory import Memory, remembered
from residue.runtime.journal.event_kinds import ENDED, NOT_LOGGED, STARTED
from residue.runtime.journal.log import FILE_NAME as LOG_FILE
from residue.runtime.journal.log import EventRow, LevelLog, SecondRow, event, timestamp
from residue.runtime.journal.tallies import TALLY_S
from residue.runtime.journal.telling import SIGN_OF_LIFE_S
from residue.runtime.system.clock import Clock, Uptime
from residue.runtime.system.folders import MEMORY_BEFORE_FILE, MEMORY_FILE
from tests.season.caps import CAPS, EAR, HOPS_A_SECOND, WINDOW_S, Floats
from tests.season.process import Process

WRITTEN_EVERY_S = 5.0
_TALLY_HOPS = round(TALLY_S * HOPS_A_SECOND)


class Disk:
    """Takes what a program writes, or takes nothing for a while.

    folder: for what is really written. up: the time since the machine started.
    """

    def __init__(self, folder: Path, clock: Clock, up: Callable[[], Uptime]) -> None:
        self.folder = folder
        self._clock = clock
        self._up = up
        self._memory = Memory()
        self._memory_before = Memory()
        self.slow_s = 0.0
        """So long each write takes until it is on the disk."""
        self._flips: list[random.Random] = []
        self._stands_since_s: float | None = None
        self._rows: list[SecondRow] = []
        self._events: list[EventRow] = []
        """The starts and ends that still count, and the times without a row before them."""

    def stand(self, process: Process) -> None:
        """From now on it takes nothing."""
        self._memory_before, self._memory = self._memory, process.memory()
        self._stands_since_s = self._clock.monotonic_s()

    def go_on(self) -> None:
        """It takes everything again."""
        self._stands_since_s = None

    def keep(self, process: Process, *, lost_s: float, ended: bool) -> None:
        """A program ends. lost_s: how old what was last written of its place is; ended: it wrote down its end."""
        if self._stands_since_s is None:
            self._memory = _older(process.memory(), lost_s + self.slow_s)
            self._memory_before = _older(self._memory, WRITTEN_EVERY_S)
        self._keep_rows(process, ended=ended)

    def flip(self, chance: random.Random) -> None:
        """Before the next program begins, one bit of one file turns over."""
        self._flips.append(chance)

    def begin(self) -> tuple[SentHistory, Memory, Sequence[str]]:
        """What a program that starts knows: what was sent, the house's memory, and what of it is spoilt, in words."""
        path, now = self.folder / LOG_FILE, self._clock.now()
        for old in (LOG_FILE, f"{LOG_FILE}-*", f"{LOG_FILE}.*", "sent*.lines", MEMORY_FILE, MEMORY_BEFORE_FILE):
            for part in self.folder.glob(old):
                part.unlink()
        log = LevelLog(path)
        log.write([*(self._events or [event(now, self._up(), ENDED, "")]), *self._rows])
        log.close()
        (self.folder / MEMORY_FILE).write_bytes(encode_record(self._memory))
        (self.folder / MEMORY_BEFORE_FILE).write_bytes(encode_record(self._memory_before))
        flipped = {self._flip_now(chance) for chance in self._flips}
        self._flips.clear()
        history = LevelLog(path).sent_before(now, self._up(), WINDOW_S)
        since = timestamp(now - timedelta(seconds=2 * WINDOW_S))
        happened = [one for one in self._events if one.kind != NOT_LOGGED and one.utc > since]
        self._events = [*self._not_logged(history), *happened, event(now, self._up(), STARTED, "")]
        self.go_on()
        memory, lost = remembered(self.folder)
        if MEMORY_FILE in flipped and not lost:
            raise AssertionError("Nothing is said of a bit that has flipped in the memory of the house.")
        return history, memory, lost

    def _not_logged(self, history: SentHistory) -> list[EventRow]:
        """The times without a row, as the log of the next program tells of them."""
        found, now, up = [], self._clock.now(), self._up()
        for time in (one for one in history.spared if one.share == SPARED_SHARE):
            then, up_s = now - timedelta(seconds=time.age_s), up.seconds - time.age_s
            found.append(replace(event(then, Uptime(up.boot, up_s), NOT_LOGGED, ""), unlogged_s=time.duration_s))
        return found

    def _flip_now(self, chance: random.Random) -> str:
        files = sorted(path for path in self.folder.rglob("*") if path.is_file() and not path.is_symlink())
        file = chance.choice([path for path in files if path.stat().st_size])
        content = bytearray(file.read_bytes())
        bit = chance.randrange(8 * len(content))
        content[bit // 8] ^= 1 << bit % 8
        file.write_bytes(content)
        return file.name

    def _keep_rows(self, process: Process, *, ended: bool) -> None:
        """The rows of this run and of the one before that still count; those that the disk did not take are gone."""
        process.playing.settle()
        now_s, begins_s, stands_s = self._clock.monotonic_s(), process.began_s, self._stands_since_s
        energies = np.zeros(round((now_s - begins_s) * HOPS_A_SECOND))
        for hop, sent in process.playing.sent:
            at = hop - round(begins_s * HOPS_A_SECOND)
            energies[at : at + len(sent)] = sent
        known = len(energies) if stands_s is None else round((stands_s - begins_s) * HOPS_A_SECOND)
        if not ended:
            known = max(0, known - round(self.slow_s * HOPS_A_SECOND))
        if not ended or stands_s is not None:
            known -= known % _TALLY_HOPS  # what was not full was not told yet
        counts_from = max(0, round((now_s - WINDOW_S - TALLY_S - begins_s) / TALLY_S)) * _TALLY_HOPS
        self._rows = self._rows[-round(WINDOW_S / TALLY_S) :]
        for first in range(counts_from, known, _TALLY_HOPS):
            tally = energies[first : min(known, first + _TALLY_HOPS)]
            if tally.any() or first % round(SIGN_OF_LIFE_S * HOPS_A_SECOND) == 0:
                self._rows.append(self._row(begins_s + (first + len(tally)) / HOPS_A_SECOND, tally))
        ends = ENDED if ended and stands_s is None else "playing"
        self._events.append(event(self._clock.now(), self._up(), ends, ""))

    def _row(self, at_s: float, tally: Floats) -> SecondRow:
        ago_s, up = self._clock.monotonic_s() - at_s, self._up()
        level = CAPS[0].limit + 10 * np.log10(tally.mean()) if tally.any() else None
        sent = json.dumps({EAR.key: None if level is None else ceil(level * 100) / 100})
        wall = self._clock.now() - timedelta(seconds=ago_s)
        return SecondRow(
            utc=timestamp(wall),
            boot=up.boot,
            up_s=up.seconds - ago_s,
            duration_s=len(tally) / HOPS_A_SECOND,
            laeq_db=None,
            lceq_db=None,
            laf_max_db=None,
            lc_peak_db=None,
            sent=sent,
        )


def _older(memory: Memory, by_s: float) -> Memory:
    """What was written down a little earlier."""
    place_s = max(0.0, memory.place_s - by_s) if memory.under_way else memory.place_s
    return msgspec.structs.replace(memory, place_s=place_s)
