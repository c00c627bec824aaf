from __future__ import annotations

from collections.abc import Callable
from functools import partial
from itertools import chain, repeat

import numpy as np
import pytest

from residue.loudness.stage.capped import Capped, Seal
from residue.output.returning import FIRST_RETRY_S, LAST_RETRY_S, ReturningSink
from residue.output.silent import Pace, SilentSink
from residue.output.sink import Sink, SinkLostError
from residue.output.together import Together
from residue.problems import stopping
from tests.runtime.stubs import HandClock, Keeping

BLOCK = Capped(np.zeros((2, 4_800)), Seal())


def test_a_loss_is_survived_at_the_same_pace() -> None:
    clock, sink = HandClock(), Keeping()
    returning = ReturningSink(sink.open, clock.monotonic_s, clock.sleep)
    sink.gone = True
    start_s = clock.now_s
    for _ in range(600):
        returning.write(BLOCK)
    assert returning.lost is not None
    assert clock.now_s - start_s == pytest.approx(60.0, abs=1.0)
    assert sink.closed >= 1


def test_it_is_opened_again_ever_less_often_and_heard_again() -> None:
    clock, sink = HandClock(), Keeping()
    attempts: list[float] = []

    def open_sink() -> Sink:
        attempts.append(clock.now_s)
        return sink.open()

    returning = ReturningSink(open_sink, clock.monotonic_s, clock.sleep)
    sink.gone = True
    for _ in range(1_000):
        returning.write(BLOCK)
    waits = np.diff(attempts[1:])
    assert attempts[1] - attempts[0] >= FIRST_RETRY_S
    assert waits.max() <= LAST_RETRY_S + 0.11
    assert waits[-1] >= LAST_RETRY_S
    sink.gone = False
    before = len(sink.blocks)
    for _ in range(round(LAST_RETRY_S / 0.1) + 2):
        returning.write(BLOCK)
    assert returning.lost is None
    assert len(sink.blocks) > before
    assert returning.losses == 1


def test_a_device_that_is_not_there_at_the_start_is_waited_for() -> None:
    clock, sink = HandClock(), Keeping()
    sink.gone = True
    returning = ReturningSink(sink.open, clock.monotonic_s, clock.sleep)
    assert (returning.lost, returning.wrong) == ("It is still unplugged.", False)
    for _ in range(100):
        returning.write(BLOCK)
    sink.gone = False
    for _ in range(round(LAST_RETRY_S / 0.1) + 2):
        returning.write(BLOCK)
    assert returning.lost is None
    assert sink.blocks


def test_a_device_that_is_not_what_the_room_needs_is_said_to_be_wrong_until_it_is_put_right() -> None:
    clock, sink = HandClock(), Keeping()
    problems = [stopping("room.toml: output", "It has 2 channels.", "Name another device.")] * 3

    def open_sink() -> Sink:
        if problems:
            raise problems.pop()
        return sink.open()

    returning = ReturningSink(open_sink, clock.monotonic_s, clock.sleep)
    assert returning.wrong
    for _ in range(100):
        returning.write(BLOCK)
    assert (returning.lost, returning.wrong) == (None, False)


def test_a_sink_that_was_given_up_is_not_opened_again() -> None:
    clock, sink = HandClock(), Keeping()
    returning = ReturningSink(sink.open, clock.monotonic_s, clock.sleep)
    returning.give_up("It must be silent.")
    for _ in range(100):
        returning.write(BLOCK)
    assert (sink.blocks, sink.closed, returning.lost) == ([], 1, "It must be silent.")


def test_late_blocks_are_counted_over_all_openings() -> None:
    clock, sink = HandClock(), Keeping()
    returning = ReturningSink(sink.open, clock.monotonic_s, clock.sleep)
    sink.late_blocks = 3
    returning.reopen("somebody wants it")
    assert returning.late_blocks == 3


class Busy(SilentSink):
    """Written to by somebody whose every block takes a while to make."""

    def __init__(self, clock: HandClock, takes_s: Callable[[], float]) -> None:
        super().__init__(Pace(clock.monotonic_s, clock.sleep))
        self._clock = clock
        self._takes_s = takes_s

    def write(self, capped: Capped) -> None:
        self._clock.now_s += self._takes_s()
        super().write(capped)


def waited_s(takes_s: Callable[[], float], blocks: int) -> tuple[float, int]:
    """How long a writer sleeps over so many blocks, and how many of them are late."""
    clock, slept = HandClock(), [0.0]

    def sleep(duration_s: float) -> None:
        slept.append(duration_s)
        clock.sleep(duration_s)

    sink = Busy(clock, takes_s)
    returning = ReturningSink(lambda: sink, clock.monotonic_s, sleep)
    for _ in range(blocks):
        returning.write(BLOCK)
    return sum(slept), returning.late_blocks


def test_a_writer_that_is_always_late_lets_others_run() -> None:
    """Watched over 10 s, as long as systemd waits for a sign of life (WatchdogSec in deploy/residue.service)."""
    slept_s, _ = waited_s(lambda: 0.13, 77)
    assert slept_s >= 1.0


def test_a_writer_that_was_late_for_a_while_catches_up() -> None:
    takes_s = chain([0.13] * 40, repeat(0.06))
    slept_s, late = waited_s(partial(next, takes_s), 1_000)
    assert late <= 41
    assert slept_s <= 1.0


def test_together_all_sinks_get_the_same_and_one_loss_is_the_loss_of_all() -> None:
    one, two = Keeping(), Keeping()
    both = Together([one, two])
    both.write(BLOCK)
    assert len(one.blocks) == len(two.blocks) == 1
    two.gone = True
    with pytest.raises(SinkLostError):
        both.write(BLOCK)
    both.close()
    assert (one.closed, two.closed) == (1, 1)
