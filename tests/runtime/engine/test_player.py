from __future__ import annotations

import threading
import time
from collections.abc import Callable
from threading import Semaphore
from typing import cast

import msgspec
import numpy as np
import pytest

from residue.loudness.plan.plan import Lowering
from residue.loudness.stage.stage import CapStage
from residue.mapping.playback import Playback
from residue.mapping.signals import AUDIO_RATE_HZ
from residue.output.returning import ReturningSink
from residue.problems import stopping
from residue.progress import Progress, silent
from residue.runtime.engine.engine import BLOCK_FRAMES, Engine, Turn
from residue.runtime.engine.player import ALL_FAILED_S, LEFT_OUT_MOST_S, LEFT_OUT_S, Player, left_out
from residue.runtime.engine.snapshot import Failure
from residue.runtime.house.exchange import FadeOut, SetTrim, Start
from residue.runtime.planning.planning import Outcome
from tests.runtime.stubs import HandClock, Hum, Keeping, stage

PATIENCE_S = 10.0


class Plans:
    outcome = Outcome(
        gain_db={"first-batch": 0.0, "second-batch": -6.0},
        words={},
        duration_s={"first-batch": 60.0, "second-batch": 60.0},
        unplayable={"third-batch": "Its bag is broken."},
    )


class Stage:
    """A player with an engine that a test turns by hand."""

    def __init__(self, opens: Callable[[str, int, Progress], Playback]) -> None:
        self.clock = clock = HandClock()
        sink = Keeping()
        returning = ReturningSink(sink.open, clock.monotonic_s, clock.sleep)
        self.engine = Engine(stage(), returning, 2, monotonic_s=clock.monotonic_s)
        self.plans = Plans()
        self.player = Player(self.engine, self.plans, opens, clock.monotonic_s)

    def until_turn(self, number: int) -> None:
        deadline = time.monotonic() + PATIENCE_S
        while self.engine.snapshot.turn != number and time.monotonic() < deadline:
            self.engine.run_block()
            time.sleep(0.001)
        assert self.engine.snapshot.turn == number


def hum(_name: str, _frame: int, _progress: Progress = silent) -> Playback:
    return cast(Playback, Hum(60 * AUDIO_RATE_HZ))


def test_a_start_that_is_repeated_begins_one_turn_at_the_place_asked_for() -> None:
    opened: list[str] = []

    def opens(name: str, frame: int, _progress: Progress) -> Playback:
        opened.append(name)
        return hum(name, frame)

    on = Stage(opens)
    for _ in range(5):
        on.player.do([Start(1, "second-batch", 20.05)])
    on.until_turn(1)
    on.player.do([Start(1, "second-batch", 20.05)])
    assert opened == ["second-batch"]
    view = on.player.view()
    assert view.sounding
    assert view.playhead_s == pytest.approx(20.0 + BLOCK_FRAMES / AUDIO_RATE_HZ, abs=1e-6), "from the start of a hop"
    assert on.engine.snapshot.plan_gain == pytest.approx(10 ** (-6 / 20))


def test_the_cap_stage_is_told_whether_a_turn_is_in_order(monkeypatch: pytest.MonkeyPatch) -> None:
    told: list[tuple[bool, bool]] = []
    monkeypatch.setattr(CapStage, "begin_programme", lambda _stage, planned, in_order: told.append((planned, in_order)))
    on = Stage(hum)
    for turn, in_order in ((1, True), (2, False)):
        on.player.do([Start(turn, "first-batch", 0.0, in_order)])
        on.until_turn(turn)
    on.engine.begin(Turn(3, "live", hum("live", 0), 1.0, planned=False))
    on.engine.run_block()
    assert told == [(True, True), (True, False), (False, True)]


def test_what_plays_follows_a_plan_that_becomes_lower() -> None:
    on = Stage(hum)
    on.player.do([Start(1, "second-batch", 0.0)])
    on.until_turn(1)
    for gain_db, then_db in ((0.0, -6.0), (-9.0, -9.0), (-7.0, -9.0)):
        on.plans.outcome = msgspec.structs.replace(Plans.outcome, gain_db={"second-batch": gain_db})
        on.player.follow_plan()
        on.engine.run_block()
        assert 20 * np.log10(on.engine.snapshot.plan_gain) == pytest.approx(then_db)


def test_what_plays_follows_a_plan_that_lowers_some_outputs_alone() -> None:
    """Once for each new plan, and not for the one that it began with."""
    asked: list[Lowering] = []
    on = Stage(hum)
    on.player = Player(on.engine, on.plans, hum, lowers=lambda lowering, _playback: asked.append(lowering))
    at_first, later = Lowering(alone_db={"floor": -3.0}), Lowering(alone_db={"floor": -9.0})
    on.plans.outcome = msgspec.structs.replace(Plans.outcome, lowering={"second-batch": at_first})
    on.player.do([Start(1, "second-batch", 0.0)])
    on.until_turn(1)
    for plan, further in ((at_first, []), (later, [later]), (later, [later])):
        on.plans.outcome = msgspec.structs.replace(on.plans.outcome, lowering={"second-batch": plan})
        on.player.follow_plan()
        on.engine.run_block()
        assert asked == further


def test_the_view_tells_what_is_ready_and_what_never_will_be() -> None:
    view = Stage(hum).player.view()
    assert view.ready == {"first-batch", "second-batch"}
    assert view.unplayable == {"third-batch": "Its bag is broken."}
    assert view.duration_s["first-batch"] == 60.0


def test_a_performance_that_cannot_be_opened_is_a_turn_that_does_not_sound() -> None:
    def broken(name: str, _frame: int, _progress: Progress) -> Playback:
        raise stopping(name, "A channel is missing.", "Mend the bag.")

    on = Stage(broken)
    on.player.do([Start(3, "first-batch", 0.0)])
    on.until_turn(3)
    view = on.player.view()
    assert not view.sounding
    assert "A channel is missing." in view.unplayable["first-batch"]
    assert view.ready == {"second-batch"}


def test_a_start_that_is_no_longer_asked_for_is_given_up() -> None:
    player: list[Player] = []

    def opens(name: str, frame: int, _progress: Progress) -> Playback:
        player[0].do([])  # somebody holds the house while the performance is being opened
        return hum(name, frame)

    on = Stage(opens)
    player.append(on.player)
    on.player.do([Start(1, "first-batch", 5.0)])
    for _ in range(200):
        on.engine.run_block()
        time.sleep(0.001)
    assert on.engine.snapshot.turn == 0


def test_a_start_that_comes_no_nearer_is_seen_and_passed_over() -> None:
    """Opened it is, but then the disk does not answer."""
    reached, released, wound = threading.Event(), threading.Event(), threading.Event()

    class OnADeadDisk(Hum):
        def skip_to(self, frame: int, progress: Callable[[int], None] = lambda frame: None) -> None:
            progress(0)
            reached.set()
            released.wait()
            try:
                progress(frame)
            finally:
                wound.set()

    on = Stage(lambda _name, _frame, _progress: cast(Playback, OnADeadDisk(60 * AUDIO_RATE_HZ)))
    assert on.player.start_still_s == 0.0
    asked = [Start(1, "first-batch", 20.0)]
    on.player.do(asked)
    assert reached.wait(PATIENCE_S)
    on.clock.now_s += 61.0
    on.player.do(asked)
    assert on.player.start_still_s >= 60.0
    on.player.leave_out("The disk may not answer.")
    assert on.player.start_still_s == 0.0
    on.until_turn(1)
    assert on.player.view().unplayable["first-batch"] == "The disk may not answer."
    released.set()
    assert wound.wait(PATIENCE_S)
    for _ in range(20):
        on.engine.run_block()
    assert not on.player.view().sounding, "what comes back after all is not begun"


def test_what_is_made_again_before_a_start_is_no_start_that_hangs_and_ends_when_it_is_not_wanted() -> None:
    """A channel that has gone from the cache, say."""
    steps, given_up = Semaphore(0), threading.Event()

    def opens(name: str, frame: int, progress: Progress) -> Playback:
        try:
            for done in range(1_000):
                steps.acquire()
                progress(name, done, 1_000)
        finally:
            given_up.set()
        return hum(name, frame)

    on = Stage(opens)
    asked = [Start(1, "first-batch", 0.0)]
    on.player.do(asked)
    for _ in range(5):
        on.clock.now_s += 50.0
        steps.release()
        deadline = time.monotonic() + PATIENCE_S
        while on.player.start_still_s > 0.0 and time.monotonic() < deadline:
            time.sleep(0.001)
        assert on.player.start_still_s == 0.0
    on.player.do([])
    steps.release()
    assert given_up.wait(PATIENCE_S)


def test_a_start_that_is_given_up_late_does_not_have_the_next_one_begun_twice() -> None:
    """Somebody passes over what is being opened: the second start has been taken up before the first is given up."""
    second_asked, given_up = threading.Event(), threading.Event()
    opened: list[str] = []

    class GivenUp(Hum):
        def skip_to(self, frame: int, progress: Callable[[int], None] = lambda frame: None) -> None:
            second_asked.wait(PATIENCE_S)
            try:
                super().skip_to(frame, progress)
            finally:
                given_up.set()

    def opens(name: str, frame: int, _progress: Progress) -> Playback:
        opened.append(name)
        return cast(Playback, GivenUp(60 * AUDIO_RATE_HZ)) if name == "first-batch" else hum(name, frame)

    on = Stage(opens)
    on.player.do([Start(1, "first-batch", 20.0)])
    on.player.do([Start(2, "second-batch", 0.0)])
    second_asked.set()
    assert given_up.wait(PATIENCE_S)
    _winders_end()
    on.player.do([Start(2, "second-batch", 0.0)])
    _winders_end()
    assert opened == ["first-batch", "second-batch"]


def _winders_end() -> None:
    for thread in threading.enumerate():
        if thread.name == "winder":
            thread.join(PATIENCE_S)


def test_trim_and_fade_reach_the_engine() -> None:
    on = Stage(hum)
    on.player.do([Start(1, "first-batch", 0.0), SetTrim(-6.0)])
    on.until_turn(1)
    assert on.player.view().trim_db == -6.0
    assert on.engine.snapshot.trim == pytest.approx(10 ** (-6 / 20))
    on.player.do([FadeOut(0.2)])
    for _ in range(4):
        on.engine.run_block()
    assert not on.player.view().sounding


def test_a_performance_that_failed_is_left_out_for_a_while_that_doubles() -> None:
    both = {"first-batch", "second-batch"}

    def out(times: int, after_s: float) -> bool:
        return "first-batch" in left_out({"first-batch": Failure("A node failed.", 0.0, times)}, both, after_s)

    assert out(1, LEFT_OUT_S - 1)
    assert not out(1, LEFT_OUT_S)
    assert out(3, 4 * LEFT_OUT_S - 1)
    assert not out(3, 4 * LEFT_OUT_S)
    assert not out(1_000, LEFT_OUT_MOST_S)


def test_where_nothing_else_can_be_played_what_failed_is_tried_again_soon() -> None:
    failures = {"first-batch": Failure("A node failed.", 0.0, 1), "second-batch": Failure("A node failed.", 10.0, 1)}
    planned = {"first-batch", "second-batch"}
    assert left_out(failures, planned, ALL_FAILED_S - 1).keys() == planned
    assert left_out(failures, planned, ALL_FAILED_S).keys() == {"second-batch"}
