"""What somebody who asks the house for something is told has to be what the house does."""

from __future__ import annotations

from dataclasses import replace

import pytest

from residue.control.surface import MOST_TIMES_LONGER, _packed
from residue.runtime.house.exchange import Event, Hold, Next, Release, Renew, Respond, Tick, Trim
from residue.runtime.house.house import House, State
from tests.runtime.house.test_house import DURATION_S, Gallery, opening

DESK = "the front desk"


def told(gallery: Gallery, event: Event) -> str:
    gallery.hear(event)
    [answer] = [action.text for action in gallery.actions if isinstance(action, Respond)][-1:]
    return answer


def settled(opens_s: float, state: State) -> Gallery:
    """A gallery that was left alone for two seconds, and is in this state now."""
    gallery = Gallery([opening(opens_s, opens_s + 600)])
    gallery.wait(2)
    assert gallery.house.state is state
    return gallery


@pytest.fixture
def playing() -> Gallery:
    return settled(0, State.PLAYING)


@pytest.fixture
def closed() -> Gallery:
    return settled(3600, State.CLOSED)


def test_a_house_that_plays_fades_where_one_that_is_silent_only_stays_so(playing: Gallery, closed: Gallery) -> None:
    assert told(playing, Hold(DESK)) == "The house fades to silence now and stays silent until it is released."
    assert told(closed, Hold(DESK)) == "The house is silent and stays silent until it is released."


def test_a_hold_names_its_end_which_an_earlier_and_longer_one_decides(playing: Gallery) -> None:
    assert told(playing, Hold(DESK, 90.0)).endswith("stays silent until Tue 09:01:32.")
    assert told(playing, Hold(DESK, 30.0)).endswith("stays silent until Tue 09:01:32.")
    assert told(playing, Hold(DESK)).endswith("stays silent until it is released.")
    assert told(playing, Hold(DESK, 30.0)).endswith("stays silent until it is released.")


def test_a_release_tells_whether_there_was_a_hold(playing: Gallery) -> None:
    assert told(playing, Release(DESK)) == "Nobody held the house. The house plays first-batch from 0 s on."
    playing.hear(Hold(DESK))
    playing.wait(5)
    assert told(playing, Release(DESK)).startswith("The hold is over. The house plays first-batch from ")


def test_next_tells_where_it_skips_nothing(playing: Gallery, closed: Gallery) -> None:
    assert told(closed, Next(DESK)) == "The house is closed: nothing is skipped."
    assert told(playing, Next(DESK)) == "The house goes on as soon as it can: second-batch is being prepared."
    playing.hear(Hold(DESK))
    assert told(playing, Next(DESK)) == (
        "The house is held, and silent until it is released. Then it goes on to the next performance."
    )


def test_next_ends_a_rest(playing: Gallery) -> None:
    playing.wait(DURATION_S["first-batch"])
    assert playing.house.state is State.RESTING
    assert told(playing, Next(DESK)) == "The house plays second-batch from 0 s on."


def test_next_just_before_closing_only_rests(playing: Gallery) -> None:
    playing.openings = [opening(0, 3)]
    assert told(playing, Next(DESK)) == "The house rests until closing."


def test_rooms_in_step_skip_nothing(playing: Gallery) -> None:
    playing.timetable = []
    assert told(playing, Next(DESK)) == "The rooms play in step: nothing is skipped."


def test_a_house_that_cannot_be_heard_says_why(playing: Gallery) -> None:
    playing.engine.view = replace(playing.engine.view, fault="The device is lost.")
    assert told(playing, Release(DESK)) == "Nobody held the house. The house cannot be heard: The device is lost."


def test_a_trim_is_told_as_it_is_bounded(playing: Gallery) -> None:
    assert told(playing, Trim(-90.0, DESK)) == "The trim is -40 dB now."
    assert told(playing, Trim(0.0, DESK)) == "The house is not trimmed any more."


@pytest.mark.parametrize("event", [Tick(), Renew(DESK)])
def test_what_no_person_asks_for_has_no_answer(event: Event, playing: Gallery) -> None:
    playing.hear(event)
    assert not any(isinstance(action, Respond) for action in playing.actions)


def test_the_longest_answer_fits_into_the_reply_to_the_shortest_command(closed: Gallery) -> None:
    closed.house = replace(House(), held_by=DESK)
    longest = told(closed, Hold(DESK, 86_400.0))
    assert len(_packed("/house/done", "/house/hold", longest)) <= MOST_TIMES_LONGER * len(_packed("/house/hold"))
