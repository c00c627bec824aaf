from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from math import inf
from zoneinfo import ZoneInfo

import msgspec
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from residue.runtime.house.exchange import (
    Action,
    EngineView,
    Event,
    FadeOut,
    Hold,
    Log,
    Next,
    Prepare,
    Release,
    Renew,
    SetTrim,
    Start,
    Tick,
    Trim,
    World,
)
from residue.runtime.house.house import House, State, step
from residue.runtime.house.house_state import BEFORE_CLOSING_S, FADE_S
from residue.runtime.house.memory import Memory, memory, recalled
from residue.schedule.agenda import AgendaEntry
from residue.schedule.opening import EventTerms, Opening
from residue.schedule.programme import Programme, item

TICK_S = 0.25
BEGIN = datetime(2026, 3, 3, 9, tzinfo=UTC)
PROGRAMME = Programme(performances=("first-batch", "second-batch", "third-batch"), rest_s=5)
DURATION_S = {"first-batch": 12.0, "second-batch": 20.0, "third-batch": 16.0}


def opening(opens_s: float, closes_s: float) -> Opening:
    return Opening(BEGIN + timedelta(seconds=opens_s), BEGIN + timedelta(seconds=closes_s), "drawn")


@dataclass
class ModelEngine:
    """The least that an engine has to do: a turn with a playhead, that ends by itself or by a fade."""

    view: EngineView = field(default_factory=EngineView)
    performance: str = ""
    fade_left_s: float = float("inf")
    takes_to_prepare_s: float = 0.0
    _preparing_s: dict[str, float] = field(default_factory=dict)

    def act(self, actions: Iterable[Action]) -> None:
        for action in actions:
            match action:
                case Start(turn, performance, from_s) if turn != self.view.turn:
                    self.performance, self.fade_left_s = performance, float("inf")
                    self.view = replace(self.view, turn=turn, sounding=True, playhead_s=from_s)
                case FadeOut(seconds):
                    self.fade_left_s = min(self.fade_left_s, seconds)
                case SetTrim(db):
                    self.view = replace(self.view, trim_db=db)
                case Prepare(performance) if performance not in self._preparing_s:
                    self._preparing_s[performance] = self.takes_to_prepare_s

    def advance(self, seconds: float) -> None:
        ready = {name for name, left_s in self._preparing_s.items() if left_s <= seconds}
        self._preparing_s = {name: left_s - seconds for name, left_s in self._preparing_s.items()}
        self.view = replace(self.view, ready=self.view.ready | (ready - set(self.view.unplayable)))
        if self.view.sounding:
            playhead_s = self.view.playhead_s + min(seconds, self.fade_left_s)
            self.fade_left_s -= seconds
            over = self.fade_left_s <= 0 or playhead_s >= DURATION_S[self.performance]
            self.view = replace(self.view, playhead_s=playhead_s, sounding=not over)


@dataclass
class Gallery:
    """A house with its engine on clocks of their own."""

    openings: Sequence[Opening]
    programme: Programme = PROGRAMME
    engine: ModelEngine = field(default_factory=ModelEngine)
    house: House = field(default_factory=House)
    now: datetime = BEGIN
    monotonic_s: float = 0.0
    log: list[Log] = field(default_factory=list)
    actions: list[Action] = field(default_factory=list)
    timetable: Sequence[AgendaEntry] | None = None

    @property
    def opening(self) -> Opening | None:
        return next((one for one in self.openings if one.opens <= self.now < one.closes), None)

    def hear(self, event: Event) -> None:
        world = World(self.now, self.monotonic_s, self.opening, self.engine.view, ZoneInfo("UTC"), 0.0, self.timetable)
        self.house, actions = step(self.house, event, world, self.programme)
        self.engine.act(actions)
        self.actions += actions
        self.log += [action for action in actions if isinstance(action, Log)]

    def tick(self) -> None:
        self.hear(Tick())
        self.now += timedelta(seconds=TICK_S)
        self.monotonic_s += TICK_S
        self.engine.advance(TICK_S)

    def wait(self, seconds: float) -> None:
        for _ in range(round(seconds / TICK_S)):
            self.tick()
        self.hear(Tick())

    def restart(self, off_s: float) -> None:
        """A power cut: the house comes back with what it wrote down, among clocks that went on."""
        written = msgspec.json.decode(
            msgspec.json.encode(memory(self.house, self.engine.view, self.monotonic_s)), type=Memory
        )
        self.house = recalled(written, self.programme, 0.0)
        view = EngineView(unplayable=self.engine.view.unplayable, fault=self.engine.view.fault)
        self.engine = ModelEngine(view, takes_to_prepare_s=self.engine.takes_to_prepare_s)
        self.now += timedelta(seconds=off_s)
        self.monotonic_s = 0.0

    def state(self) -> State:
        return self.house.state

    @property
    def starts(self) -> list[tuple[str, float]]:
        turns = {action.turn: (action.performance, action.from_s) for action in self.actions if type(action) is Start}
        return list(turns.values())

    @property
    def states(self) -> list[str]:
        known = [line.kind for line in self.log if line.kind in set(State)]
        return [kind for n, kind in enumerate(known) if n == 0 or known[n - 1] != kind]


def test_a_day_begins_plays_rests_and_closes() -> None:
    gallery = Gallery([opening(10, 70)])
    gallery.wait(80)
    assert gallery.states == ["closed", "opening", *["playing", "resting"] * 3, "closed"]
    assert [name for name, _ in gallery.starts] == ["first-batch", "second-batch", "third-batch"]


def test_a_start_in_the_middle_of_the_day_goes_straight_to_playing() -> None:
    engine = ModelEngine(EngineView(ready=frozenset(PROGRAMME.performances)))
    gallery = Gallery([opening(-3600, 3600)], engine=engine)
    gallery.hear(Tick())
    assert gallery.state() is State.PLAYING


def test_with_no_rest_one_performance_follows_the_other_in_one_step() -> None:
    gallery = Gallery([opening(0, 600)], programme=Programme(performances=("first-batch", "second-batch")))
    gallery.wait(1 + DURATION_S["first-batch"])
    assert gallery.house.turn == 2
    assert gallery.states == ["opening", "playing"]


def test_the_fade_before_closing_is_over_before_closing() -> None:
    gallery = Gallery([opening(0, 10)])
    last_heard = BEGIN
    for _ in range(80):
        gallery.tick()
        last_heard = gallery.now if gallery.engine.view.sounding else last_heard
    assert BEGIN + timedelta(seconds=8) < last_heard <= BEGIN + timedelta(seconds=10 - BEFORE_CLOSING_S)


def test_nothing_is_begun_that_closing_would_cut_at_once() -> None:
    gallery = Gallery([opening(0, FADE_S)])
    gallery.wait(FADE_S + 1)
    assert gallery.starts == []
    assert gallery.states == ["resting", "closed"]
    assert gallery.log[0].text == "until closing"


def test_a_hold_fades_out_and_lasts_over_closing_until_released() -> None:
    gallery = Gallery([opening(0, 30), opening(40, 100)])
    gallery.wait(5)
    gallery.hear(Hold("the front desk"))
    assert gallery.state() is State.HELD
    gallery.wait(FADE_S + TICK_S)
    assert not gallery.engine.view.sounding
    gallery.wait(25)
    assert gallery.state() is State.CLOSED
    gallery.wait(10)
    assert gallery.state() is State.HELD
    gallery.hear(Release("the front desk"))
    gallery.wait(1)
    assert gallery.state() is State.PLAYING
    assert "by the front desk" in [line.text for line in gallery.log if line.kind == "held"]


@pytest.mark.parametrize(
    ("after_interruption", "then"),
    [
        ("resume", ("first-batch", 5.0)),
        ("restart", ("first-batch", 0.0)),
        ("next", ("second-batch", 0.0)),
    ],
)
def test_after_a_hold_it_goes_on_as_the_curator_chose(after_interruption: str, then: tuple[str, float]) -> None:
    programme = Programme(performances=PROGRAMME.performances, after_interruption=after_interruption)  # type: ignore[arg-type]
    gallery = Gallery([opening(0, 600)], programme=programme)
    gallery.wait(TICK_S)
    gallery.wait(5)
    gallery.hear(Hold("anybody"))
    gallery.wait(10)
    gallery.hear(Release("anybody"))
    gallery.wait(1)
    assert gallery.starts[1:] == [then]


def test_next_passes_over_what_plays_after_a_fade() -> None:
    gallery = Gallery([opening(0, 600)])
    gallery.wait(3)
    gallery.hear(Next("the front desk"))
    assert gallery.state() is State.OPENING
    gallery.wait(FADE_S + 1)
    assert gallery.starts == [("first-batch", 0.0), ("second-batch", 0.0)]
    assert gallery.state() is State.PLAYING


def test_next_during_a_rest_ends_the_rest_and_passes_over_nothing() -> None:
    gallery = Gallery([opening(0, 600)])
    gallery.wait(TICK_S + DURATION_S["first-batch"] + 1)
    assert gallery.state() is State.RESTING
    gallery.hear(Next("the front desk"))
    assert gallery.starts == [("first-batch", 0.0), ("second-batch", 0.0)]


def in_order(gallery: Gallery) -> list[bool]:
    """Of each turn, whether the plan knows what comes before it."""
    turns = {action.turn: action.in_order for action in gallery.actions if type(action) is Start}
    return list(turns.values())


def test_what_follows_as_the_hours_have_it_is_in_order_and_what_a_person_asks_for_is_not() -> None:
    gallery = Gallery([opening(0, 600)])
    gallery.wait(TICK_S + DURATION_S["first-batch"] + PROGRAMME.rest_s + 2)
    assert in_order(gallery) == [True, True]
    gallery.hear(Next("the front desk"))
    gallery.wait(6)
    assert in_order(gallery) == [True, True, False]
    gallery.hear(Renew("a person"))
    gallery.wait(DURATION_S["first-batch"] + PROGRAMME.rest_s + 4)
    assert in_order(gallery) == [True, True, False, False, True]
    gallery.wait(60)
    while gallery.state() is not State.RESTING:
        gallery.wait(1)
    before = in_order(gallery)
    assert all(before[4:])
    gallery.hear(Next("the front desk"))
    gallery.wait(1)
    assert in_order(gallery) == [*before, False], "its rest was cut short"


@pytest.mark.parametrize(("after_interruption", "follows"), [("resume", True), ("restart", False), ("next", False)])
def test_after_a_hold_only_what_goes_on_where_it_was_is_in_order(after_interruption: str, *, follows: bool) -> None:
    programme = msgspec.structs.replace(PROGRAMME, after_interruption=after_interruption)
    gallery = Gallery([opening(0, 600)], programme)
    gallery.wait(5)
    gallery.hear(Hold("the night watch"))
    gallery.wait(6)
    gallery.hear(Release("the night watch"))
    gallery.wait(2)
    assert in_order(gallery) == [True, follows]


def test_after_a_performance_that_fails_the_next_is_not_in_order() -> None:
    gallery = Gallery([opening(0, 600)], engine=ModelEngine(EngineView(duration_s=DURATION_S)))
    gallery.wait(6)
    gallery.engine.view = replace(gallery.engine.view, sounding=False)
    gallery.wait(PROGRAMME.rest_s + 2)
    assert in_order(gallery) == [True, False]


def test_an_opening_begins_in_order_whatever_was_skipped_in_the_one_before() -> None:
    gallery = Gallery([opening(0, 20), opening(30, 600)])
    gallery.wait(5)
    gallery.hear(Next("the front desk"))
    gallery.wait(40)
    assert in_order(gallery)[:2] == [True, False]
    assert in_order(gallery)[-1]


def test_what_was_exchanged_while_it_played_begins_anew_without_a_silence() -> None:
    gallery = Gallery([opening(0, 600)])
    gallery.wait(6)
    gallery.hear(Renew("a person"))
    gallery.wait(1)
    assert gallery.starts == [("first-batch", 0.0), ("first-batch", 0.0)]
    assert gallery.engine.view.turn == 2
    assert not any(isinstance(action, FadeOut) for action in gallery.actions)
    gallery.wait(DURATION_S["first-batch"] + 5)
    assert gallery.starts[2] == ("second-batch", 0.0)


def test_what_was_exchanged_while_nothing_played_changes_nothing() -> None:
    gallery = Gallery([])
    gallery.hear(Renew("a person"))
    assert gallery.house == replace(House(), since=BEGIN, reason="by the hours")


def test_next_while_closed_changes_nothing() -> None:
    gallery = Gallery([])
    gallery.hear(Next("the front desk"))
    assert gallery.house == replace(House(), since=BEGIN, reason="by the hours")
    assert gallery.log[0] == Log("next", "Requested by the front desk while closed: nothing is skipped.")


@pytest.mark.parametrize(
    ("asked_db", "set_db"), [(-6.0, -6.0), (6.0, 0.0), (-400.0, -40.0), (float("inf"), 0.0), (float("nan"), -40.0)]
)
def test_a_trim_only_lowers(asked_db: float, set_db: float) -> None:
    gallery = Gallery([])
    gallery.hear(Trim(-3.0, "the technician"))
    gallery.hear(Trim(asked_db, "the technician"))
    assert gallery.engine.view.trim_db == set_db


def test_a_performance_goes_on_unheard_while_the_device_is_lost() -> None:
    gallery = Gallery([opening(0, 600)])
    gallery.wait(3)
    gallery.engine.view = replace(gallery.engine.view, fault="The sound device is gone.")
    gallery.wait(3)
    assert (gallery.state(), gallery.house.reason) == (State.FAULTED, "The sound device is gone.")
    gallery.engine.view = replace(gallery.engine.view, fault=None)
    gallery.wait(3)
    assert gallery.state() is State.PLAYING
    assert gallery.starts == [("first-batch", 0.0)]


def test_the_programme_goes_on_in_time_while_the_device_is_lost() -> None:
    gallery = Gallery([opening(0, 600)])
    gallery.engine.view = replace(gallery.engine.view, fault="The sound device is gone.")
    gallery.wait(TICK_S + DURATION_S["first-batch"] + PROGRAMME.rest_s + 2)
    assert gallery.state() is State.FAULTED
    assert gallery.starts == [("first-batch", 0.0), ("second-batch", 0.0)]
    gallery.hear(Hold("the night watch"))
    gallery.wait(1)
    assert gallery.state() is State.HELD


def test_what_cannot_be_played_is_passed_over_with_a_word() -> None:
    engine = ModelEngine(EngineView(unplayable={"first-batch": "Its bag is broken."}))
    gallery = Gallery([opening(0, 600)], engine=engine)
    gallery.wait(2)
    assert gallery.starts == [("second-batch", 0.0)]
    assert Log("skipped", "first-batch: Its bag is broken.") in gallery.log


def test_a_house_with_nothing_to_play_is_faulted_and_says_why() -> None:
    broken = dict.fromkeys(PROGRAMME.performances, "Its bag is broken.")
    gallery = Gallery([opening(0, 600)], engine=ModelEngine(EngineView(unplayable=broken)))
    gallery.wait(2)
    assert gallery.state() is State.FAULTED
    assert gallery.house.reason == (
        "No performance of the programme can be played. first-batch: Its bag is broken.; "
        "second-batch: Its bag is broken.; third-batch: Its bag is broken."
    )


def test_it_waits_while_the_plan_is_made() -> None:
    gallery = Gallery([opening(0, 600)], engine=ModelEngine(takes_to_prepare_s=30))
    gallery.wait(20)
    assert gallery.state() is State.OPENING
    gallery.wait(12)
    assert gallery.state() is State.PLAYING


def test_the_next_performance_is_made_ready_while_one_plays() -> None:
    gallery = Gallery([opening(0, 600)])
    gallery.wait(2)
    assert [action for action in gallery.actions if action == Prepare("second-batch")]


def test_an_engine_that_was_rebuilt_gets_its_turn_again() -> None:
    gallery = Gallery([opening(0, 600)])
    gallery.wait(3)
    gallery.engine = ModelEngine(EngineView(ready=gallery.engine.view.ready))
    gallery.wait(1)
    assert gallery.engine.view.sounding
    assert gallery.house.turn == gallery.engine.view.turn == 1


def test_edited_hours_do_not_disturb_what_plays() -> None:
    gallery = Gallery([opening(0, 600)])
    gallery.wait(TICK_S + DURATION_S["first-batch"] + PROGRAMME.rest_s + 2)
    gallery.openings = [opening(-3600, 1200)]
    gallery.wait(2)
    assert gallery.state() is State.PLAYING
    assert gallery.starts == [("first-batch", 0.0), ("second-batch", 0.0)]


def test_a_clock_that_steps_back_before_the_opening_closes_and_then_goes_on_in_the_programme() -> None:
    gallery = Gallery([opening(60, 600)], now=BEGIN + timedelta(seconds=60))
    gallery.wait(TICK_S + DURATION_S["first-batch"] + PROGRAMME.rest_s + 2)
    gallery.now = BEGIN
    gallery.wait(1)
    assert not gallery.engine.view.sounding
    assert gallery.state() is State.CLOSED
    gallery.wait(61)
    assert [name for name, _ in gallery.starts] == ["first-batch", "second-batch", "second-batch"]


def test_a_clock_that_steps_past_closing_is_silent_within_a_second() -> None:
    gallery = Gallery([opening(0, 600)])
    gallery.wait(3)
    gallery.now += timedelta(hours=2)
    gallery.wait(1)
    assert not gallery.engine.view.sounding
    assert gallery.state() is State.CLOSED


def test_the_next_day_begins_the_programme_anew() -> None:
    gallery = Gallery([opening(0, 30), opening(100, 130)])
    gallery.wait(105)
    assert [name for name, _ in gallery.starts] == ["first-batch", "second-batch", "first-batch"]


# What the programme may ask for.


def with_programme(openings: Sequence[Opening], **choices: object) -> Gallery:
    programme = msgspec.convert({"performances": PROGRAMME.performances, "rest_s": 5} | choices, Programme)
    return Gallery(openings, programme, ModelEngine(EngineView(duration_s=DURATION_S)))


def test_the_last_performance_may_run_on_past_closing() -> None:
    gallery = with_programme([opening(0, 25)], at_closing="finish")
    gallery.wait(30)
    assert gallery.state() is State.PLAYING
    assert gallery.house.reason == "second-batch from 0 s on; past closing, to its end"
    gallery.wait(10)
    assert gallery.state() is State.CLOSED
    assert gallery.engine.view.playhead_s >= DURATION_S["second-batch"]


def past_midnight(midnight_s: float, **programme: object) -> Gallery:
    """A house that stays open at a midnight."""
    return with_programme([replace(opening(0, midnight_s), goes_on=True), opening(midnight_s, 600)], **programme)


@pytest.mark.parametrize("midnight_s", [14, 30, 40], ids=["in a rest", "in a performance", "in the rest after it"])
def test_a_house_that_stays_open_begins_the_day_after_what_is_under_way_and_its_rest(midnight_s: float) -> None:
    gallery = past_midnight(midnight_s)
    gallery.wait(60)
    before = PROGRAMME.performances[: 1 if midnight_s < 17 else 2]
    assert [name for name, _ in gallery.starts][: len(before) + 2] == [*before, "first-batch", "second-batch"]
    assert all(in_order(gallery))
    assert not [action for action in gallery.actions if type(action) is FadeOut]
    assert gallery.states[-5:] == ["playing", "resting", "playing", "resting", "playing"]


def test_what_was_held_over_midnight_is_played_to_its_end_before_the_day_begins() -> None:
    gallery = past_midnight(30)
    gallery.wait(25)
    gallery.hear(Hold("the front desk"))
    gallery.wait(15)
    gallery.hear(Release("the front desk"))
    gallery.wait(40)
    assert [name for name, _ in gallery.starts[:4]] == ["first-batch", "second-batch", "second-batch", "first-batch"]
    assert gallery.starts[2][1] > 7.0


def test_a_power_cut_over_midnight_resumes_what_it_broke_off() -> None:
    gallery = past_midnight(30)
    gallery.wait(25)
    gallery.restart(off_s=10.0)
    gallery.actions.clear()
    gallery.wait(40)
    (resumed, from_s), (then, _) = gallery.starts[:2]
    assert (resumed, then) == ("second-batch", "first-batch")
    assert from_s > 7.0


def test_a_day_that_begins_after_something_was_skipped_is_no_order_of_the_plan() -> None:
    gallery = past_midnight(30, after_interruption="next")
    gallery.wait(25)
    gallery.hear(Hold("the front desk"))
    gallery.wait(15)
    gallery.hear(Release("the front desk"))
    gallery.wait(5)
    assert gallery.starts[-1] == ("first-batch", 0.0)
    assert in_order(gallery)[-1] is False


def test_what_may_run_on_past_closing_does_not_run_into_a_silence() -> None:
    gallery = with_programme([replace(opening(0, 25), then_silent=True)], at_closing="finish")
    gallery.wait(25 - FADE_S + 1)
    assert gallery.engine.view.sounding
    gallery.wait(FADE_S - 1)
    assert gallery.state() is State.CLOSED
    assert not gallery.engine.view.sounding


def test_what_may_run_on_past_closing_does_not_when_the_clock_steps_there() -> None:
    gallery = with_programme([opening(0, 25)], at_closing="finish")
    gallery.wait(20)
    gallery.now += timedelta(hours=1)
    gallery.wait(1)
    assert gallery.state() is State.CLOSED
    assert not gallery.engine.view.sounding


def test_what_is_still_being_wound_forward_at_closing_does_not_begin_after_it() -> None:
    gallery = with_programme([opening(0, 10)], at_closing="finish")
    begin, gallery.engine.act = gallery.engine.act, lambda actions: None  # type: ignore[method-assign]
    gallery.engine.view = replace(gallery.engine.view, ready=frozenset(DURATION_S))
    gallery.wait(9)
    assert gallery.state() is State.PLAYING
    gallery.wait(2)
    gallery.engine.act = begin  # type: ignore[method-assign]
    gallery.wait(5)
    assert gallery.state() is State.CLOSED
    assert not gallery.engine.view.sounding


def test_what_is_exchanged_past_closing_is_not_begun_anew() -> None:
    gallery = with_programme([opening(0, 25)], at_closing="finish")
    gallery.wait(30)
    gallery.hear(Renew("a swap"))
    gallery.wait(10)
    assert gallery.state() is State.CLOSED
    assert gallery.starts == [("first-batch", 0.0), ("second-batch", 0.0)]


def test_what_runs_on_past_closing_obeys_a_hold() -> None:
    gallery = with_programme([opening(0, 25)], at_closing="finish")
    gallery.wait(30)
    gallery.hear(Hold("the night watch"))
    gallery.wait(FADE_S)
    assert not gallery.engine.view.sounding


def test_a_performance_that_would_not_end_is_not_begun() -> None:
    gallery = with_programme([opening(0, 33)], at_closing="whole")
    gallery.wait(40)
    assert gallery.starts == [("first-batch", 0.0)]
    assert [line.text for line in gallery.log if line.kind == "resting"] == ["until closing"]


def test_performances_begin_at_the_times_listed_and_the_first_may_be_a_little_late() -> None:
    gallery = with_programme([opening(0, 600)], starts=["09:00", "09:02", "09:03"])
    gallery.now += timedelta(seconds=20)
    gallery.wait(400)
    begun = [line.text for line in gallery.log if line.kind == "playing"]
    assert begun == ["first-batch from 0 s on", "second-batch from 0 s on", "third-batch from 0 s on"]
    reasons = [line.text for line in gallery.log if line.kind == "resting"]
    assert reasons == ["until 09:02", "until 09:03", "until closing"]


def test_an_opening_may_begin_with_silence_but_not_after_a_restart_at_noon() -> None:
    on_time = with_programme([opening(0, 600)], first_silence_s=30)
    on_time.wait(25)
    assert on_time.state() is State.RESTING
    on_time.wait(10)
    assert on_time.state() is State.PLAYING
    at_noon = with_programme([opening(-3600, 600)], first_silence_s=30)
    at_noon.wait(2)
    assert at_noon.state() is State.PLAYING


def test_a_private_view_is_lowered_before_it_begins() -> None:
    house = House(opening=opening(0, 60), state=State.RESTING)
    view = EngineView(ready=frozenset(PROGRAMME.performances), duration_s=DURATION_S)
    private = replace(opening(60, 120), terms=EventTerms(trim_db=-6.0))
    world = World(BEGIN + timedelta(seconds=61), 61.0, private, view, ZoneInfo("UTC"))
    _, actions = step(house, Tick(), world, PROGRAMME)
    assert [type(action) for action in actions if not isinstance(action, Log)] == [SetTrim, Start]


def test_a_private_view_has_its_own_trim_and_performances() -> None:
    private = replace(opening(60, 120), terms=EventTerms(trim_db=-6.0, performances=("third-batch",)))
    gallery = with_programme([opening(0, 60), private])
    gallery.hear(Trim(-3.0, "the technician"))
    gallery.wait(50)
    assert gallery.engine.view.trim_db == -3.0
    gallery.wait(20)
    assert gallery.engine.view.trim_db == -9.0
    assert gallery.starts[-1] == ("third-batch", 0.0)


def test_a_room_that_is_louder_than_it_was_lowers_the_house_and_nothing_raises_it() -> None:
    private = replace(opening(0, 60), terms=EventTerms(trim_db=-6.0))
    house = House(opening=private, state=State.RESTING, trim_db=-3.0)
    view = EngineView(ready=frozenset(PROGRAMME.performances), duration_s=DURATION_S)
    for lowered_db, whole_db in ((-6.5, -15.5), (0.0, -9.0), (12.0, -9.0), (-90.0, -40.0)):
        world = World(BEGIN + timedelta(seconds=5), 5.0, private, view, ZoneInfo("UTC"), lowered_db)
        _, actions = step(house, Tick(), world, PROGRAMME)
        assert [action.db for action in actions if isinstance(action, SetTrim)] == [whole_db]


# Any sequence of events, clock steps, restarts, faults and edits.

SECONDS = st.integers(0, 240).map(lambda quarters: quarters * TICK_S)
ANY_OPENINGS = st.lists(SECONDS, max_size=6, unique=True).map(
    lambda edges: [opening(*pair) for pair in pairwise(sorted(edges))][::2]
)
MOVES = st.lists(
    st.one_of(
        st.tuples(st.just("wait"), st.integers(1, 60)),
        st.tuples(st.just("step the clock"), st.integers(-120, 120)),
        st.tuples(st.just("edit the hours"), ANY_OPENINGS),
        st.tuples(st.just("restart"), st.integers(0, 120)),
        st.tuples(st.just("fault"), st.sampled_from([None, "The sound device is gone."])),
        st.tuples(st.just("unplayable"), st.sets(st.sampled_from(PROGRAMME.performances))),
        st.tuples(
            st.just("hear"),
            st.sampled_from(
                [
                    Hold("a"),
                    Hold("b"),
                    Hold("c", 7.0),
                    Release("a"),
                    Next("a"),
                    Trim(-6, "a"),
                    Trim(9, "a"),
                    Renew("a"),
                    Tick(),
                ]
            ),
        ),
    ),
    max_size=25,
)
CHOICES = st.fixed_dictionaries(
    {
        "rest_s": st.sampled_from([0, 1, 5]),
        "order": st.sampled_from(["listed", "shuffled"]),
        "starts": st.sampled_from(["any time", "full hour", ["09:01", "09:03"]]),
        "at_closing": st.sampled_from(["fade", "whole"]),
        "after_interruption": st.sampled_from(["resume", "restart", "next"]),
    }
)


def do(gallery: Gallery, move: str, argument: object) -> int:
    """Make one move; gives how many ticks shall follow it."""
    match move, argument:
        case "wait", int(ticks):
            return ticks
        case "step the clock", int(seconds):
            gallery.now += timedelta(seconds=seconds)
        case "restart", int(seconds):
            gallery.restart(seconds)
        case "edit the hours", list(openings):
            gallery.openings = openings
        case "fault", fault:
            gallery.engine.view = replace(gallery.engine.view, fault=None if fault is None else str(fault))
        case "unplayable", set(names):
            ready = gallery.engine.view.ready - names
            gallery.engine.view = replace(
                gallery.engine.view, ready=ready, unplayable=dict.fromkeys(names, "Its bag is broken.")
            )
        case _, (Tick() | Hold() | Release() | Next() | Trim() | Renew()) as event:
            gallery.hear(event)
    return 1


@given(ANY_OPENINGS, MOVES, CHOICES, st.sampled_from([0.0, 3.0]))
def test_what_sounds_sounds_while_open_and_not_held_and_what_is_open_has_a_reason(
    openings: list[Opening], moves: list[tuple[str, object]], choices: dict[str, object], takes_to_prepare_s: float
) -> None:
    programme = msgspec.convert({"performances": PROGRAMME.performances} | choices, Programme)
    gallery = Gallery(openings, programme, ModelEngine(takes_to_prepare_s=takes_to_prepare_s))
    closed_s = held_s = 0.0
    for move, argument in moves:
        for _ in range(do(gallery, move, argument)):
            lines, before = len(gallery.log), gallery.house
            is_open, held = gallery.opening is not None, gallery.house.held_by is not None
            gallery.tick()
            closed_s, held_s = (0.0 if is_open else closed_s + TICK_S), (held_s + TICK_S if held else 0.0)
            house = gallery.house
            assert house.state is not State.PLAYING or (is_open and not held)
            assert (house.state is State.CLOSED) == (not is_open)
            assert house.state is before.state or len(gallery.log) > lines
            assert house.state is not State.FAULTED or house.reason
            if closed_s > 1.0 or held_s > FADE_S:
                assert not gallery.engine.view.sounding
            assert -40 <= gallery.engine.view.trim_db <= 0


STEPS = st.lists(
    st.one_of(
        st.tuples(st.just("wait"), st.integers(1, 120)),
        st.tuples(st.just("step the clock"), st.sampled_from([-300, -240, -60, -3, 3, 60, 240, 300])),
        st.tuples(st.just("restart"), st.integers(0, 30)),
    ),
    max_size=15,
)


@given(STEPS)
@example([("wait", 100), ("step the clock", 240), ("wait", 100), ("step the clock", -240), ("wait", 100)])
@example([("wait", 40), ("step the clock", 240), ("wait", 9), ("restart", 2), ("step the clock", -240), ("wait", 100)])
def test_steps_of_the_clock_and_restarts_play_nothing_twice_and_skip_nothing(moves: list[tuple[str, object]]) -> None:
    """Two openings, with the clock stepping within, between and out of them: each is played through in its order."""
    gallery = Gallery([opening(0, 200), opening(230, 500)])
    begun: dict[datetime, list[tuple[str, float]]] = {}
    turn = 0
    for move, argument in moves:
        for _ in range(do(gallery, move, argument)):
            gallery.tick()
            if move == "restart":
                turn = 0
            if gallery.house.under_way and gallery.house.turn != turn and gallery.house.opening is not None:
                turn = gallery.house.turn
                name = item(PROGRAMME, gallery.house.opening, gallery.house.index).performance
                begun.setdefault(gallery.house.opening.opens, []).append((name, gallery.house.from_s))
    for turns in begun.values():
        assert turns[0] == ("first-batch", 0.0)
        for (earlier, earlier_from_s), (later, from_s) in pairwise(turns):
            following = PROGRAMME.performances[(PROGRAMME.performances.index(earlier) + 1) % 3]
            assert (later, from_s) == (following, 0.0) or (later == earlier and from_s >= earlier_from_s)


@given(ANY_OPENINGS, st.sampled_from([0.0, 2.0, 7.0]))
def test_undisturbed_it_is_never_silent_for_longer_than_the_rest_and_always_silent_at_closing(
    openings: list[Opening], rest_s: float
) -> None:
    gallery = Gallery(openings, Programme(performances=PROGRAMME.performances, rest_s=rest_s))
    silent_s = 0.0
    for _ in range(300):
        gallery.tick()
        under_way = next((one for one in openings if one.opens < gallery.now <= one.closes), None)
        left_s = 0.0 if under_way is None else (under_way.closes - gallery.now).total_seconds()
        sounding = gallery.engine.view.sounding
        silent_s = 0.0 if sounding or under_way is None else silent_s + TICK_S
        if left_s < BEFORE_CLOSING_S:
            assert not sounding
        if left_s > FADE_S + BEFORE_CLOSING_S:
            assert silent_s <= rest_s + 2 * TICK_S


def test_a_hold_ends_by_itself_after_the_stated_time() -> None:
    gallery = Gallery([opening(0, 600)])
    gallery.wait(20)
    gallery.hear(Hold("the front desk", 60.0))
    gallery.wait(59)
    assert gallery.state() is State.HELD
    gallery.wait(2)
    assert gallery.state() in {State.OPENING, State.PLAYING}
    released = [line.text for line in gallery.log if line.kind == "release"]
    assert released == ["The hold by the front desk has ended by itself, as requested."]


@pytest.mark.parametrize(
    ("first_s", "second_s", "silent_s"), [(60.0, 20.0, 60.0), (20.0, 60.0, 60.0), (20.0, inf, inf)]
)
def test_the_longest_of_several_holds_counts(first_s: float, second_s: float, silent_s: float) -> None:
    gallery = Gallery([opening(0, 600)])
    gallery.wait(20)
    gallery.hear(Hold("the front desk", first_s))
    gallery.hear(Hold("the curator", second_s))
    gallery.wait(min(silent_s, 90.0) - 1)
    assert gallery.state() is State.HELD
    gallery.wait(2)
    assert (gallery.state() is State.HELD) == (silent_s == inf)


def test_a_hold_of_stated_length_outlives_a_power_cut_and_still_ends() -> None:
    gallery = Gallery([opening(0, 600)])
    gallery.wait(20)
    gallery.hear(Hold("the front desk", 60.0))
    gallery.wait(30)
    gallery.restart(off_s=15.0)
    gallery.wait(29)
    assert gallery.state() is State.HELD, "the time without power does not count"
    gallery.wait(2)
    assert gallery.state() is not State.HELD
