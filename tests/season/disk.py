"""What a program leaves on the disk: the house's memory, and the level log of the last quarter of an hour."""

from __future__ import annotations

import json
from collections.abc import Callable
from datetime import timedelta
from math import ceil
from pathlib import Path

import msgspec
import numpy as np

from residue.loudness.stage.history import SentHistory
from residue.runtime.engine.engine import TALLY_S
from residue.runtime.house.memory import Memory
from residue.runtime.journal.event_kinds import ENDED
from residue.runtime.journal.log import EventRow, LevelLog, SecondRow, timestamp
from residue.runtime.journal.telling import UNLOGGED_MOST_S
from residue.runtime.system.clock import Clock, Uptime
from tests.season.caps import CAPS, EAR, HOPS_A_SECOND, WINDOW_S, Floats
from tests.season.process import Process

_TALLY_HOPS = round(TALLY_S * HOPS_A_SECOND)


class Disk:
    """Takes what a program writes, or takes nothing for a while.

    folder: for what is really written. up: the time since the machine started.
    """

    def __init__(self, folder: Path, clock: Clock, up: Callable[[], Uptime]) -> None:
        self.folder = folder
        self._clock = clock
        self._up = up
        self.memory = msgspec.json.encode(Memory())
        self._stands_since_s: float | None = None
        self._rows: list[SecondRow] = []
        self._ended = True
        self._unwritten = folder / "unwritten"
        """Stands elsewhere, and is gone after a power cut: the boot that it names is another then."""

    def stand(self, process: Process) -> None:
        """From now on it takes nothing."""
        self.memory = process.memory()
        self._stands_since_s = self._clock.monotonic_s()
        up = self._up()
        self._unwritten.write_text(json.dumps([up.boot, up.seconds - UNLOGGED_MOST_S]))

    def go_on(self) -> None:
        """It takes everything again."""
        self._stands_since_s = None
        self._unwritten.unlink(missing_ok=True)

    def keep(self, process: Process, *, lost_s: float, ended: bool) -> None:
        """A program ends. lost_s: how old what was last written of its place is; ended: it wrote down its end."""
        if self._stands_since_s is None:
            self.memory = _older(process.memory(), lost_s)
        self._keep_rows(process, ended=ended)

    def history(self) -> SentHistory:
        """What the log tells when a program starts: written to a real one, and read as the daemon reads it."""
        path, now = self.folder / "levels.sqlite", self._clock.now()
        for part in self.folder.glob(f"{path.name}*"):
            part.unlink()
        log = LevelLog(path)
        log.write([*self._rows, EventRow(utc=timestamp(now), kind=ENDED if self._ended else "playing", text="")])
        log.close()
        history = LevelLog(path, self._unwritten).sent_before(now, self._up(), WINDOW_S)
        self.go_on()
        return history

    def _keep_rows(self, process: Process, *, ended: bool) -> None:
        """The rows of this run and of the one before that still count; those that the disk did not take are gone."""
        process.playing.settle()
        now_s, begins_s, stands_s = self._clock.monotonic_s(), process.began_s, self._stands_since_s
        energies = np.zeros(round((now_s - begins_s) * HOPS_A_SECOND))
        for hop, sent in process.playing.sent:
            at = hop - round(begins_s * HOPS_A_SECOND)
            energies[at : at + len(sent)] = sent
        known = len(energies) if stands_s is None else round((stands_s - begins_s) * HOPS_A_SECOND)
        if not ended or stands_s is not None:
            known -= known % _TALLY_HOPS  # what was not full was not told yet
        counts_from = max(0, round((now_s - WINDOW_S - TALLY_S - begins_s) / TALLY_S)) * _TALLY_HOPS
        self._rows = self._rows[-round(WINDOW_S / TALLY_S) :]
        for first in range(counts_from, known, _TALLY_HOPS):
            tally = energies[first : min(known, first + _TALLY_HOPS)]
            if tally.any():
                self._rows.append(self._row(begins_s + (first + len(tally)) / HOPS_A_SECOND, tally))
        self._ended = ended and stands_s is None

    def _row(self, at_s: float, tally: Floats) -> SecondRow:
        ago_s, up = self._clock.monotonic_s() - at_s, self._up()
        level = CAPS[0].limit + 10 * np.log10(tally.mean())
        sent = json.dumps({EAR.key: ceil(level * 100) / 100})
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


def _older(written: bytes, by_s: float) -> bytes:
    """What was written down a little earlier."""
    memory = msgspec.json.decode(written, type=Memory)
    place_s = max(0.0, memory.place_s - by_s) if memory.under_way else memory.place_s
    return msgspec.json.encode(msgspec.structs.replace(memory, place_s=place_s))
