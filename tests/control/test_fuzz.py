"""The control surface among a million datagrams that mean no good, while a performance plays through the engine."""

from __future__ import annotations

import gc
import sys
from typing import Any, cast

import numpy as np
import pytest

from residue.control.rate import ALL_BURST, ALL_PER_S
from residue.control.settings import ControlSettings
from residue.control.surface import MOST_TIMES_LONGER, Surface
from residue.control.waiting import WaitingRoom
from residue.mapping.playback import Playback
from residue.mapping.signals import AUDIO_RATE_HZ
from residue.output.returning import ReturningSink
from residue.runtime.engine.engine import BLOCK_FRAMES, Engine, Turn
from residue.runtime.house.exchange import Hold, Next, Release, Trim
from residue.runtime.house.osc_handlers import handlers
from tests.control.fuzzing import datagrams
from tests.runtime.stubs import HandClock, Hum, Keeping, stage

DATAGRAMS_A_BLOCK = 60
"""Six hundred a second of playing: more than all senders together may send."""
ROUND = 1_000
STRANGERS = [("192.168.1.77", 4_000)]
PEOPLE = [(f"10.0.0.{number}", 4_000) for number in range(20)]
MEMORY_BLOCKS = 5_000
"""Of the interpreter's allocator: what may come and go between two rounds, as messages that wait."""


class Wire:
    """Counts what is answered."""

    def __init__(self) -> None:
        self.sent_bytes = 0

    def get_write_buffer_size(self) -> int:
        return 0

    def sendto(self, data: bytes, addr: Any) -> None:
        self.sent_bytes += len(data)


STATUS = {
    "house": "playing",
    "performance": "first-batch",
    "section": None,
    "playhead_s": 1.0,
    "health": {"trim_db": 0.0, "alarms": []},
}


class Evening:
    """An engine that plays one block after the other, and a surface beside it."""

    def __init__(self) -> None:
        self.clock, self.sink = HandClock(), Keeping()
        returning = ReturningSink(self.sink.open, self.clock.monotonic_s, self.clock.sleep)
        self.engine = Engine(stage(), returning, 2, monotonic_s=self.clock.monotonic_s)
        self.engine.begin(Turn(1, "first-batch", cast(Playback, Hum(10**12)), 1.0))
        self.asked: list[object] = []
        self.waiting: list[tuple[float, Any]] = []
        room = WaitingRoom(lambda: 1_790_000_000.0, lambda delay_s, do: self.waiting.append((delay_s, do)))
        asked = handlers(
            self._asked,
            lambda: STATUS,
            swap=lambda wish, sender: self.asked.append(wish),
            tone=lambda output, sender: self.asked.append(output),
        )
        settings = ControlSettings(key="flour and salt", allow=("10.0.0.0/24",))
        self.surface = Surface(settings, asked, self.clock.monotonic_s, lambda text, sender: None, room)
        self.wire = Wire()
        self.surface.connection_made(cast(Any, self.wire))

    def _asked(self, event: object) -> str:
        self.asked.append(event)
        return ""

    def play_a_block(self) -> None:
        self.clock.now_s += BLOCK_FRAMES / AUDIO_RATE_HZ
        self.engine.run_block()
        while not self.engine.tallies.empty():
            self.engine.tallies.get_nowait()
        due, self.waiting = self.waiting, []
        for _delay_s, do in due:
            do()

    def take(self, senders: list[tuple[str, int]], seed: int, count: int) -> None:
        """Each datagram is answered within its bound; the performance goes on meanwhile."""
        for number, datagram in enumerate(datagrams(seed, count)):
            before = self.wire.sent_bytes
            self.surface.datagram_received(datagram, senders[number % len(senders)])
            assert self.wire.sent_bytes - before <= MOST_TIMES_LONGER * len(datagram), datagram
            if number % DATAGRAMS_A_BLOCK == 0:
                self.play_a_block()
                self.sink.blocks[:-2] = []


def unbroken(evening: Evening) -> bool:
    """The tone goes on as if nothing had been sent: every step between samples is one of the tone itself."""
    last = evening.sink.heard[0]
    steepest = 0.1 * 2 * np.pi * 200 / AUDIO_RATE_HZ
    return bool(np.abs(np.diff(last)).max() < 1.05 * steepest and np.abs(last).max() > 0.09)


def attacked(rounds: int) -> Evening:
    """Rounds of ROUND datagrams, in turn from a stranger and from somebody allowed who does not know the key."""
    evening = Evening()
    for _ in range(40):
        evening.play_a_block()
    evening.take(PEOPLE, 0, ROUND // 5)
    held = []
    for number in range(rounds):
        evening.take(STRANGERS if number % 2 else PEOPLE, number, ROUND)
        assert unbroken(evening), f"round {number}"
        gc.collect()
        held.append(sys.getallocatedblocks())
    played = rounds * ROUND // DATAGRAMS_A_BLOCK  # each leaves a number, for the integrated loudness of what plays
    assert max(held[1:]) - held[0] < MEMORY_BLOCKS + played, held
    assert evening.asked == []
    assert evening.engine.snapshot.performance == "first-batch"
    assert evening.surface.counts.not_allowed == rounds // 2 * ROUND
    return evening


@pytest.mark.parametrize("rounds", [3, pytest.param(1_000, marks=[pytest.mark.long, pytest.mark.timeout(3_000)])])
def test_thousands_of_hostile_datagrams_change_nothing_and_are_not_heard(rounds: int) -> None:
    evening = attacked(rounds)
    assert evening.surface.counts.malformed > 100 * rounds


def test_somebody_allowed_who_sends_anything_gets_no_further_than_the_commands() -> None:
    """Without a key: what is obeyed are commands of the table, with values in their range, and not too many."""
    evening = Evening()
    evening.surface._key = None
    began_s = evening.clock.now_s
    evening.take(PEOPLE, 5, 5_000)
    kinds = {type(one) for one in evening.asked}
    assert kinds <= {Hold, Release, Next, Trim}
    assert Hold in kinds
    assert all(-40.0 <= one.db <= 0.0 for one in evening.asked if isinstance(one, Trim))
    assert len(evening.asked) <= ALL_BURST + ALL_PER_S * (evening.clock.now_s - began_s)
    assert unbroken(evening)
