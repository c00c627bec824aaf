"""What a handler answers with."""

from __future__ import annotations

from typing import Any

from pythonosc.osc_message_builder import OscMessageBuilder

from residue.control.addresses import STATE_REPLY
from residue.control.surface import MOST_TIMES_LONGER, Reply, _packed
from residue.runtime.house.osc_handlers import _state


def state(**told: Any) -> Reply:
    status = {"house": "closed", "performance": None, "section": None, "playhead_s": None, **told}
    status.setdefault("health", {"trim_db": 0.0, "alarms": []})
    return _state(status)


def test_the_state_of_a_playing_house_in_plain_arguments() -> None:
    health = {"trim_db": -3, "alarms": ["The clock is not sure."]}
    told: tuple[object, ...] = state(
        house="playing", performance="first-batch", section="quiet hands", playhead_s=61.5, health=health
    )
    assert told == (STATE_REPLY, "playing", "first-batch", "quiet hands", 61.5, -3.0, 1)
    assert [type(one) for one in told[4:]] == [float, float, int]


def test_the_state_of_a_closed_house_has_empty_places() -> None:
    assert state() == (STATE_REPLY, "closed", "", "", 0.0, 0.0, 0)


def test_the_longest_names_still_fit_into_the_reply_to_an_unpadded_question() -> None:
    question = OscMessageBuilder("/house/state").build().dgram
    told = state(performance="ü" * 255, section="パ" * 200)
    assert len(_packed(*told)) <= MOST_TIMES_LONGER * len(question)
