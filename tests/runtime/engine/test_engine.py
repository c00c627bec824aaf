from __future__ import annotations

import threading
import time
from typing import cast

import numpy as np
import pytest
from numpy.typing import NDArray

from residue.loudness.caps.caps import CapEntry, expand
from residue.loudness.stage.history import LogLag
from residue.loudness.stage.stage import CapStage
from residue.mapping.playback import Playback
from residue.mapping.signals import AUDIO_RATE_HZ, Span
from residue.output.returning import ReturningSink
from residue.runtime.engine.crossfade import EveningCrossfade
from residue.runtime.engine.engine import BLOCK_FRAMES, CROSSFADE_S, RETURN_FADE_S, Engine, Turn
from residue.watchdog.checks import AUDIBLE, NOTHING
from tests.runtime.stubs import CAPS, OUTPUTS, HandClock, Hum, Keeping, stage

LATENCY = stage().latency_frames
BLOCKS_PER_S = AUDIO_RATE_HZ // BLOCK_FRAMES


class Bench:
    """An engine that a test turns by hand."""

    def __init__(self) -> None:
        self.sink = Keeping()
        self.clock = HandClock()
        returning = ReturningSink(self.sink.open, self.clock.monotonic_s, self.clock.sleep)
        self.engine = Engine(stage(), returning, 2, monotonic_s=self.clock.monotonic_s)

    def run(self, blocks: int) -> None:
        for _ in range(blocks):
            self.clock.now_s += 0.1
            self.engine.run_block()

    def begin(self, hum: Hum, gain: float = 1.0, number: int = 1) -> None:
        self.engine.begin(Turn(number, "first-batch", cast(Playback, hum), gain))

    @property
    def left(self) -> NDArray[np.float64]:
        row: NDArray[np.float64] = self.sink.heard[0]
        return row


@pytest.fixture
def bench() -> Bench:
    return Bench()


def test_silence_is_written_when_nothing_plays(bench: Bench) -> None:
    bench.run(5)
    assert bench.engine.snapshot.frames == 5 * BLOCK_FRAMES
    # What keeps filters from subnormal numbers, 600 dB down; the edge of the band at 20 kHz overshoots by a fifth.
    assert np.abs(bench.left).max() < 1.2e-30


def test_a_performance_sounds_through_the_cap_at_the_gain_of_the_plan(bench: Bench) -> None:
    bench.begin(Hum(10 * AUDIO_RATE_HZ), gain=0.5)
    bench.run(5 * BLOCKS_PER_S)
    alone = stage()
    blocks = [Hum(10**9).step(5 * AUDIO_RATE_HZ).outputs * 0.5]
    expected = alone.process(blocks[0]).frames[0]
    np.testing.assert_array_equal(bench.left, expected)
    assert np.abs(bench.left[-AUDIO_RATE_HZ:]).max() == pytest.approx(0.05, rel=0.02)


def test_the_snapshot_tells_the_turn_while_it_is_under_way_and_its_place_after_it(bench: Bench) -> None:
    bench.begin(Hum(2 * AUDIO_RATE_HZ), number=7)
    bench.run(BLOCKS_PER_S)
    now = bench.engine.snapshot
    assert (now.turn, now.performance, now.section, now.playhead_s) == (7, "first-batch", "first", 1.0)
    bench.run(2 * BLOCKS_PER_S)
    now = bench.engine.snapshot
    assert (now.turn, now.performance, now.playhead_s) == (7, None, 2.0)


def test_a_fade_out_is_silent_in_time_and_ends_the_turn(bench: Bench) -> None:
    bench.begin(Hum(60 * AUDIO_RATE_HZ))
    bench.run(3 * BLOCKS_PER_S)
    bench.engine.fade_out(2.0)
    bench.run(3 * BLOCKS_PER_S)
    assert bench.engine.snapshot.performance is None
    fade_stop = 5 * AUDIO_RATE_HZ + LATENCY
    # The protecting high-pass rings on for a moment: 20 Hz, fourth order.
    assert np.abs(bench.left[fade_stop + AUDIO_RATE_HZ // 5 :]).max() < 1e-3
    steps = np.abs(np.diff(bench.left[2 * AUDIO_RATE_HZ :]))
    assert steps.max() < 0.1 * 2 * np.pi * 200 / AUDIO_RATE_HZ * 1.1, "steeper than the tone itself: a click"


def test_a_fade_under_way_can_be_shortened_but_not_lengthened(bench: Bench) -> None:
    bench.begin(Hum(60 * AUDIO_RATE_HZ))
    bench.run(BLOCKS_PER_S)
    bench.engine.fade_out(4.0)
    bench.run(1)
    bench.engine.fade_out(10.0)
    bench.engine.fade_out(0.5)
    bench.run(BLOCKS_PER_S)
    assert bench.engine.snapshot.performance is None


def test_a_performance_that_does_not_begin_at_its_beginning_fades_in(bench: Bench) -> None:
    hum = Hum(60 * AUDIO_RATE_HZ)
    hum.skip_to(20 * AUDIO_RATE_HZ)
    bench.begin(hum)
    bench.run(5 * BLOCKS_PER_S)
    early = np.abs(bench.left[: LATENCY + AUDIO_RATE_HZ // 4]).max()
    late = np.abs(bench.left[LATENCY + round(RETURN_FADE_S * AUDIO_RATE_HZ) :]).max()
    assert early < 0.002
    assert late == pytest.approx(0.1, rel=0.05)


def test_a_trim_lowers_and_never_raises(bench: Bench) -> None:
    bench.engine.trim(4.0)
    bench.begin(Hum(60 * AUDIO_RATE_HZ))
    bench.run(2 * BLOCKS_PER_S)
    assert np.abs(bench.left).max() < 0.11
    bench.engine.trim(0.25)
    bench.run(3 * BLOCKS_PER_S)
    assert np.abs(bench.left[-AUDIO_RATE_HZ:]).max() == pytest.approx(0.025, rel=0.05)


def test_a_plan_that_becomes_lower_lowers_what_plays_and_never_raises_it(bench: Bench) -> None:
    bench.begin(Hum(60 * AUDIO_RATE_HZ), gain=0.5)
    bench.run(2 * BLOCKS_PER_S)
    number = bench.engine.snapshot.turn
    bench.engine.lower_plan(number, 0.25)
    bench.engine.lower_plan(number, 0.9)
    bench.engine.lower_plan(number + 1, 0.01)
    bench.run(3 * BLOCKS_PER_S)
    assert np.abs(bench.left[-AUDIO_RATE_HZ:]).max() == pytest.approx(0.025, rel=0.05)
    assert bench.engine.snapshot.plan_gain == 0.25
    bend = np.abs(np.diff(bench.left[AUDIO_RATE_HZ:], n=2))
    assert bend.max() <= 1.05 * bend[: AUDIO_RATE_HZ // 2].max(), "without a click"


def test_stricter_caps_hold_in_the_stage_that_plays(bench: Bench) -> None:
    bench.begin(Hum(60 * AUDIO_RATE_HZ))
    bench.run(2 * BLOCKS_PER_S)
    bench.engine.tighten(OUTPUTS, expand([CapEntry(quantity="LAeq", window_s=60, limit_dbfs=-70.0)]))
    bench.run(2 * BLOCKS_PER_S)
    assert [cap.limit for cap in bench.engine.snapshot.reading.caps] == [-70.0]  # type: ignore[union-attr]
    assert np.abs(bench.left[-AUDIO_RATE_HZ:]).max() == 0.0, "what was sent before is more than it allows"


def _raise(block: NDArray[np.float64], span: Span) -> None:
    if span.start >= AUDIO_RATE_HZ:
        raise RuntimeError("a node of the artist")


def _not_a_number(block: NDArray[np.float64], span: Span) -> None:
    if span.start >= AUDIO_RATE_HZ:
        block[0, 17] = np.nan


@pytest.mark.parametrize("change", [_raise, _not_a_number], ids=["raises", "gives NaN"])
def test_a_node_that_fails_ends_its_performance_without_a_click_and_nothing_else(
    bench: Bench, change: object, caplog: pytest.LogCaptureFixture
) -> None:
    bench.begin(Hum(60 * AUDIO_RATE_HZ, change))  # type: ignore[arg-type]
    bench.run(3 * BLOCKS_PER_S)
    now = bench.engine.snapshot
    assert now.performance is None
    assert "first-batch" in now.failures
    assert "1.0 s" in now.failures["first-batch"].why
    assert np.isfinite(bench.left).all()
    steps = np.abs(np.diff(bench.left[LATENCY + 4800 :]))
    assert steps.max() < 0.1 * 2 * np.pi * 200 / AUDIO_RATE_HZ * 1.5
    bench.begin(Hum(60 * AUDIO_RATE_HZ), number=2)
    bench.run(BLOCKS_PER_S)
    assert bench.engine.snapshot.performance == "first-batch"


def test_a_graph_that_never_comes_back_is_left_and_the_engine_goes_on_with_another_thread(bench: Bench) -> None:
    hangs, released = threading.Event(), threading.Event()
    played_on, goes_on = threading.Event(), threading.Event()

    def hang(block: NDArray[np.float64], span: Span) -> None:
        if span.start >= AUDIO_RATE_HZ:
            hangs.set()
            released.wait()

    def wait_there(block: NDArray[np.float64], span: Span) -> None:
        """A thread that waits for no device would be at the end of an hour before a busy machine looks."""
        if span.start >= 5 * AUDIO_RATE_HZ:
            played_on.set()
            goes_on.wait()

    bench.begin(Hum(60 * AUDIO_RATE_HZ, hang))
    bench.engine.start()
    assert hangs.wait(60)
    old = bench.engine._thread
    stood = len(bench.sink.blocks)
    bench.begin(Hum(60 * AUDIO_RATE_HZ, wait_there), number=2)  # before the new thread, whose fade it shall be under
    assert bench.engine.rebuild("It hangs.")
    assert played_on.wait(60)
    released.set()
    old.join(60)
    assert not old.is_alive(), "the old thread ends as soon as it comes back"
    after = np.abs(np.concatenate(bench.sink.blocks[stood:], axis=1)[0])  # without its end, which is cut off
    goes_on.set()
    assert bench.engine.stop(0.0, 60)
    assert bench.engine.snapshot.failures["first-batch"].why == "It hangs."
    assert after[: AUDIO_RATE_HZ // 5].max() < 0.005, "it fades in"
    assert after.max() == pytest.approx(0.1, rel=0.05)


def test_a_thread_that_comes_back_late_leaves_the_crossfade_of_another_alone(bench: Bench) -> None:
    class Untouchable:
        done = True

        def into(self, _block: object) -> None:
            raise AssertionError

    crossing = cast(EveningCrossfade, Untouchable())

    def come_back_late(_block: NDArray[np.float64], _span: Span) -> None:
        bench.engine._turn = None  # as `rebuild` leaves it
        bench.engine._crossfade = crossing

    bench.begin(Hum(60 * AUDIO_RATE_HZ, come_back_late))
    bench.run(1)
    assert bench.engine._crossfade is crossing
    assert not bench.left.any()


def test_sound_comes_back_with_a_fade_after_the_process_stood_for_a_while(bench: Bench) -> None:
    bench.begin(Hum(60 * AUDIO_RATE_HZ))
    bench.run(3 * BLOCKS_PER_S)
    before = bench.left.size
    bench.clock.now_s += 7.0
    bench.run(5 * BLOCKS_PER_S)
    back = np.abs(bench.left[before:])
    assert back[: AUDIO_RATE_HZ // 5].max() < 0.005
    assert back.max() == pytest.approx(0.1, rel=0.05)


def test_an_engine_whose_stage_raises_ends_its_thread_and_is_rebuilt(
    bench: Bench, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    def broken(_block: object) -> None:
        raise RuntimeError("a fault of our own")

    with monkeypatch.context() as patched:
        patched.setattr(bench.engine._stage, "process", broken)
        bench.engine.start()
        bench.engine._thread.join(60)
    assert "The engine failed" in caplog.text
    assert bench.engine.rebuild("It stands.")
    while bench.engine.snapshot.frames < AUDIO_RATE_HZ:
        time.sleep(0.001)
    assert bench.engine.stop(0.0, 60)


def test_an_engine_that_failed_is_not_said_to_have_ended(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    """What it sent since its last tally is not told to anybody."""
    monkeypatch.setattr(bench.engine._stage, "process", lambda _block: 1 / 0)
    bench.engine.start()
    assert not bench.engine.stop(0.0, 60)


def test_an_engine_that_is_well_is_rebuilt_too(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    """It is in the sink nearly all of its time, and would take the lock again as soon as it has let go of it."""
    monkeypatch.setattr(bench.sink, "write", lambda _capped: time.sleep(0.05))
    bench.engine.start()
    for _ in range(5):
        assert bench.engine.rebuild("It is said to stand.")
    assert bench.engine.stop(0.0, 60)


def test_an_engine_that_hangs_in_the_sink_cannot_be_rebuilt(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    inside, released = threading.Event(), threading.Event()

    def hang(_capped: object) -> None:
        inside.set()
        released.wait()

    monkeypatch.setattr(bench.sink, "write", hang)
    bench.engine.start()
    assert inside.wait(60)
    assert not bench.engine.rebuild("It hangs.")
    released.set()
    assert not bench.engine.stop(0.0, 60), "it was given up, and does not come back"


def test_a_house_that_was_silenced_writes_no_more_and_says_so(bench: Bench) -> None:
    bench.begin(Hum(60 * AUDIO_RATE_HZ))
    bench.run(BLOCKS_PER_S)
    bench.engine.silence("It sounds though it must not.")
    written = len(bench.sink.blocks)
    bench.run(20 * BLOCKS_PER_S)
    assert len(bench.sink.blocks) == written
    assert bench.engine.snapshot.lost == "It sounds though it must not."
    assert bench.engine.snapshot.performance == "first-batch", "the piece goes on in time"


def test_a_direct_current_and_a_value_that_sticks_are_seen(bench: Bench) -> None:
    def stick(block: NDArray[np.float64], span: Span) -> None:
        block[0] = 0.25

    bench.begin(Hum(60 * AUDIO_RATE_HZ, stick))
    bench.run(2 * BLOCKS_PER_S)
    now = bench.engine.snapshot
    assert now.stuck_at == 0.25
    assert now.direct_current < 10 ** (-60 / 20), "the protections of the stage take it away"
    bench.begin(Hum(60 * AUDIO_RATE_HZ), number=2)
    bench.run(BLOCKS_PER_S)
    assert bench.engine.snapshot.stuck_at == 0.0


def test_a_beat_now_and_then_is_never_taken_for_silence_behind_the_cap(bench: Bench) -> None:
    """It comes out 0.3 s after it went in; whoever looks once a second must not see the one without the other."""

    def beat(block: NDArray[np.float64], span: Span) -> None:
        if span.start % AUDIO_RATE_HZ:
            block[:] = 0.0

    bench.begin(Hum(20 * AUDIO_RATE_HZ, beat))
    bench.run(2 * BLOCKS_PER_S)
    for _ in range(3 * BLOCKS_PER_S):
        bench.run(1)
        assert bench.engine.snapshot.asked_peak > AUDIBLE
        assert bench.engine.snapshot.sent_peak > NOTHING


def test_the_performance_goes_on_while_the_device_is_gone_and_fades_in_when_it_is_back(bench: Bench) -> None:
    bench.begin(Hum(60 * AUDIO_RATE_HZ))
    bench.run(2 * BLOCKS_PER_S)
    bench.sink.gone = True
    bench.run(3 * BLOCKS_PER_S)
    now = bench.engine.snapshot
    assert now.lost is not None
    assert now.losses == 1
    assert now.playhead_s == 5.0
    before = bench.left.size
    bench.sink.gone = False
    bench.run(8 * BLOCKS_PER_S)
    assert bench.engine.snapshot.lost is None
    back = bench.left[before:]
    assert np.abs(back[: AUDIO_RATE_HZ // 5]).max() < 0.005, "it must not come back with a bang"
    assert np.abs(back[-AUDIO_RATE_HZ:]).max() == pytest.approx(0.1, rel=0.05)


def test_nothing_is_counted_as_sent_while_nobody_hears_it(bench: Bench) -> None:
    bench.begin(Hum(60 * AUDIO_RATE_HZ))
    bench.sink.gone = True
    bench.run(5 * BLOCKS_PER_S)
    reading = bench.engine.snapshot.reading
    assert reading is not None
    assert reading.place.a < -90.0


def test_stopping_fades_lets_the_last_be_heard_and_keeps_the_last_tally(bench: Bench) -> None:
    bench.begin(Hum(60 * AUDIO_RATE_HZ))
    bench.engine.start()
    while bench.engine.snapshot.playhead_s < 2.0:
        pass
    assert bench.engine.stop(fade_s=1.0, wait_s=10.0)
    assert bench.sink.closed == 1
    assert np.abs(bench.left[-BLOCK_FRAMES:]).max() < 1e-6
    durations_s = [bench.engine.tallies.get_nowait().duration_s for _ in range(bench.engine.tallies.qsize())]
    assert round(sum(durations_s) * AUDIO_RATE_HZ) == bench.engine.snapshot.frames


def test_a_tally_is_taken_every_second_and_one_of_the_limits_before_anything_is_sent(bench: Bench) -> None:
    first = bench.engine.tallies.get_nowait()
    assert first.duration_s == 0.0
    assert [one.level for one in first.limits] == [cap.limit for cap in CAPS if cap.quantity.windowed]
    bench.run(2 * BLOCKS_PER_S)
    durations_s = [bench.engine.tallies.get_nowait().duration_s for _ in range(2)]
    assert durations_s == pytest.approx([1.0, 1.0])
    assert bench.engine.tallies.empty()


def test_while_the_log_lags_every_moment_stays_3_db_below_a_cap() -> None:
    sink, clock = Keeping(), HandClock()
    returning = ReturningSink(sink.open, clock.monotonic_s, clock.sleep)
    caps = expand([CapEntry(quantity="LZeq", window_s=600.0, limit_dbfs=-30.0)])
    asked: list[int] = []

    def lags(frames: int) -> LogLag:
        asked.append(frames)
        return LogLag.ROWS if frames >= 4 * AUDIO_RATE_HZ else LogLag.NONE

    engine = Engine(CapStage(OUTPUTS, caps), returning, 2, monotonic_s=clock.monotonic_s, log_lags=lags)
    engine.begin(Turn(1, "first-batch", cast(Playback, Hum(10**6)), 1.0))
    for _ in range(8 * BLOCKS_PER_S):
        clock.now_s += 0.1
        engine.run_block()
    first, last = (sink.heard[:, where] for where in (slice(2 * 48_000, 4 * 48_000), slice(5 * 48_000, None)))
    # Alike on both outputs, they may arrive in phase: 6.02 dB above one, and half of the limit is 3.01 dB below.
    assert 20 * np.log10(np.abs(first[0]).max()) > -21.0
    assert 10 * np.log10(np.mean(last[0] ** 2)) == pytest.approx(-30.0 - 3.01 - 6.02, abs=0.5)
    assert asked[:2] == [0, BLOCK_FRAMES]


def test_what_is_told_of_a_block_carries_the_moment_it_is_heard() -> None:
    told: list[tuple[Span, float]] = []
    sink, clock = Keeping(), HandClock()
    returning = ReturningSink(sink.open, clock.monotonic_s, clock.sleep)
    engine = Engine(stage(), returning, 2, lambda span, signals, at_s: told.append((span, at_s)), clock.monotonic_s)
    engine.begin(Turn(1, "first-batch", cast(Playback, Hum(10**6)), 1.0))
    engine.run_block()
    assert told == [(Span(0, BLOCK_FRAMES), clock.now_s + LATENCY / AUDIO_RATE_HZ + sink.latency_s)]


def test_a_turn_that_begins_while_another_sounds_crossfades_and_is_never_louder_than_the_louder(bench: Bench) -> None:
    old, new = Hum(60 * AUDIO_RATE_HZ), Hum(60 * AUDIO_RATE_HZ)
    bench.begin(old, gain=0.5)
    bench.run(2 * BLOCKS_PER_S)
    bench.begin(new, gain=1.0, number=2)
    bench.run(round((CROSSFADE_S + 1) * BLOCKS_PER_S))
    assert bench.engine.snapshot.turn == 2
    steps = np.abs(np.diff(bench.left))
    assert steps.max() <= 1.1 * 0.1 * 2 * np.pi * 200 / AUDIO_RATE_HZ, "no step that the tone itself does not make"
    crossed = round(2 * AUDIO_RATE_HZ), round((2 + CROSSFADE_S) * AUDIO_RATE_HZ)
    assert np.abs(bench.left[crossed[0] : crossed[1]]).max() <= 0.1 * 1.02
    assert np.abs(bench.left[-AUDIO_RATE_HZ // 2 :]).max() == pytest.approx(0.1, rel=0.02)
    assert old.position == round((2 + CROSSFADE_S) * AUDIO_RATE_HZ), "and is stepped no longer than it is heard"


def test_a_crossfade_goes_on_where_the_old_one_fails_or_ends(bench: Bench) -> None:
    def fail(block: NDArray[np.float64], span: Span) -> None:
        if span.start >= 3 * AUDIO_RATE_HZ:
            raise ValueError("A node of the old one fails.")

    for old in (Hum(60 * AUDIO_RATE_HZ, fail), Hum(5 * AUDIO_RATE_HZ)):
        bench.begin(old)
        bench.run(2 * BLOCKS_PER_S)
        bench.begin(Hum(60 * AUDIO_RATE_HZ), number=2)
        bench.run(5 * BLOCKS_PER_S)
        assert bench.engine.snapshot.turn == 2
        assert bench.engine.snapshot.failures == {}
        assert np.abs(bench.left[-AUDIO_RATE_HZ // 2 :]).max() == pytest.approx(0.1, rel=0.02)


def test_a_fade_out_during_a_crossfade_silences_both(bench: Bench) -> None:
    bench.begin(Hum(60 * AUDIO_RATE_HZ))
    bench.run(2 * BLOCKS_PER_S)
    bench.begin(Hum(60 * AUDIO_RATE_HZ), number=2)
    bench.run(BLOCKS_PER_S)
    bench.engine.fade_out(1.0)
    bench.run(3 * BLOCKS_PER_S)
    assert bench.engine.snapshot.performance is None
    assert np.abs(bench.left[-AUDIO_RATE_HZ // 2 :]).max() < 1e-5


def test_one_that_cannot_begin_lets_what_sounds_in_its_place_fade_out(bench: Bench) -> None:
    bench.begin(Hum(60 * AUDIO_RATE_HZ))
    bench.run(2 * BLOCKS_PER_S)
    before = np.abs(np.diff(bench.left[-AUDIO_RATE_HZ:])).max()
    bench.engine.refuse(2, "first-batch", "A channel is missing.")
    bench.run(1)
    assert (bench.engine.snapshot.turn, bench.engine.snapshot.performance) == (2, "first-batch")
    bench.run(10 * BLOCKS_PER_S)
    assert np.abs(np.diff(bench.left[2 * AUDIO_RATE_HZ :])).max() < 1.01 * before, "no step"
    assert bench.engine.snapshot.performance is None
    assert np.abs(bench.left[-AUDIO_RATE_HZ:]).max() < 1e-5


def test_a_performance_that_was_mended_no_longer_counts_as_failed(bench: Bench) -> None:
    bench.engine.refuse(1, "first-batch", "A channel is missing.")
    bench.engine.refuse(2, "second-batch", "A channel is missing.")
    bench.engine.forgive("first-batch")
    bench.run(1)
    assert set(bench.engine.snapshot.failures) == {"second-batch"}


@pytest.mark.parametrize("tone_hz", [16.0, 24.0])
def test_a_low_tone_is_no_direct_current(bench: Bench, tone_hz: float) -> None:
    def low(block: NDArray[np.float64], span: Span) -> None:
        block[:] = 10 ** (-18 / 20) * np.sin(2 * np.pi * tone_hz / AUDIO_RATE_HZ * np.arange(span.start, span.stop))

    bench.begin(Hum(60 * AUDIO_RATE_HZ, low))
    highest = 0.0
    for _ in range(5 * BLOCKS_PER_S):
        bench.run(1)
        highest = max(highest, bench.engine.snapshot.direct_current)
    assert bench.engine.snapshot.sent_peak > 10 ** (-30 / 20)
    assert highest < 10 ** (-60 / 20)
