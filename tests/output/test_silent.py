from __future__ import annotations

import pytest

from residue.output.silent import BUFFER_S, Pace
from tests.runtime.stubs import HandClock


def test_writing_keeps_the_rate_of_the_house_without_drift() -> None:
    clock = HandClock()
    pace = Pace(clock.monotonic_s, clock.sleep)
    start_s = clock.now_s
    for block in range(36_000):  # an hour
        clock.now_s += 0.0137  # making a block takes a while
        assert pace.keep(4_800), block
    assert clock.now_s - start_s == pytest.approx(3_600, abs=0.1)


def test_it_begins_with_a_buffer_of_silence_and_so_holds_back_from_the_first_block_on() -> None:
    clock = HandClock()
    pace = Pace(clock.monotonic_s, clock.sleep)
    pace.keep(4_800)
    assert clock.now_s == pytest.approx(1_000.1)
    assert pace.queued_frames == pytest.approx(BUFFER_S * 48_000)
    clock.now_s += 0.35  # the start of a house takes the processor
    assert pace.keep(4_800)


def test_a_buffer_that_ran_empty_is_told_and_counted_from_anew() -> None:
    clock = HandClock()
    pace = Pace(clock.monotonic_s, clock.sleep)
    pace.keep(4_800)
    clock.now_s += 10.0
    assert not pace.keep(4_800)
    assert pace.keep(4_800)
    assert clock.now_s == pytest.approx(1_010.1), "it does not hurry to make up for what was missed"
