"""The words of a status, as a technician reads them on a screen of 80 columns."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import pytest

from residue.control.status_in_words import COLUMNS, in_words

SWAP = {"performance": "first-batch", "bag": "third-batch", "when": "at-rest", "state": "arriving"}
HEALTH: Mapping[str, Any] = {
    "why": "first-batch from 0 s on",
    "since": "2026-03-03T10:01:00+01:00",
    "held_by": None,
    "attention": [],
    "ears_known": False,
    "device_lost": None,
    "device_losses": 2,
    "last_loss": "2026-03-02T17:40:00+01:00",
    "late_blocks": 0,
    "last_late": None,
    "planning": "second-batch",
    "planning_share": 0.43,
    "planning_left_s": 240.0,
    "planning_number": 2,
    "planning_count": 3,
    "swaps": [SWAP | {"why": "It lacks bagit.txt."}, SWAP | {"state": "ready", "why": None}],
}
TOLD: Mapping[str, Any] = {
    "house": "playing",
    "performance": "first-batch",
    "playhead_s": 201.3,
    "section": "quiet hands",
    "readings": {"rate": {"value": 71.25, "trust": 1.0}, "breath": {"value": None, "trust": 0.0}},
    "levels": None,
    "caps": [{"name": "LAeq over 15 min", "level": None, "limit": 100.0, "unit": "dB(A)", "headroom_db": None}],
    "health": HEALTH,
    "events": [{"time": "2026-03-03T09:01:02+00:00", "kind": "playing", "text": "first-batch", "sender": None}],
    "piece": "Night Dough",
    "place": "North hall",
    "time_zone": "Europe/Berlin",
    "now": "2026-03-03T10:04:21+01:00",
    "open": True,
    "opens": None,
    "closes": "2026-03-03T18:00:00+01:00",
    "held_until": None,
    "bag": {"folder": "performances/first-batch", "sha256": "3fa9c1d2e4b7" + 52 * "0"},
    "assumed": [],
    "lowered": [{"by": "plan", "db": -2.9, "who": None}, {"by": "trim", "db": -3.0, "who": "10.0.0.5"}],
}


def silent(house: str, why: str, **health: Any) -> dict[str, Any]:
    quiet: dict[str, Any] = {
        "house": house,
        "performance": None,
        "playhead_s": None,
        "section": None,
        "readings": {},
        "bag": None,
    }
    return {**TOLD, **quiet, "lowered": [], "health": {**HEALTH, "why": why, **health}}


def test_a_house_that_plays() -> None:
    assert in_words(TOLD) == [
        "Night Dough, North hall: Tue 2026-03-03 10:04",
        "The house is open until 18:00. It plays first-batch, now at 3:21, section quiet",
        "  hands.",
        "Bag       performances/first-batch, SHA-256 3fa9c1d2e4b7…",
        "Lowered   plan -2.9 dB, trim -3.0 dB (10.0.0.5)",
        "Preparing second-batch (2 of 3), 43% done, about 4 min left",
        "Device    in use; lost 2 times, last at 17:40 on Mon 2026-03-02",
        "Late      0 since the start",
        "Caps      LAeq over 15 min: silence, limit 100.0 dB(A)",
        "Body      rate: 71.25, trust 1.00",
        "          breath: trust 0.00, not measured now",
        "Swap      third-batch in the place of first-batch, at-rest: arriving. It lacks",
        "          bagit.txt.",
        "Swap      third-batch in the place of first-batch, at-rest: ready.",
        "Levels at the ear are unknown: the room is not calibrated.",
        "All is well.",
        "10:01:02 playing: first-batch",
    ]


def test_a_governor_that_takes_everything_away_is_told_as_such() -> None:
    told = {**TOLD, "lowered": [{"by": "plan", "db": -2.9, "who": None}, {"by": "governor", "db": None, "who": None}]}
    assert "Lowered   plan -2.9 dB, governor everything" in in_words(told)


@pytest.mark.parametrize(
    ("told", "sentence"),
    [
        (
            silent("closed", "by the hours") | {"open": False, "closes": None, "opens": "2026-03-04T10:00:00+01:00"},
            "The house is closed. It opens at 10:00 on Wed 2026-03-04. It is silent, as the hours say.",
        ),
        (
            silent("closed", "by the hours") | {"open": False, "closes": None, "opens": None},
            "The house is closed. Its hours name no opening within a year. It is silent, as the hours say.",
        ),
        (
            silent("closed", "by the hours; held by 10.0.0.5", held_by="10.0.0.5")
            | {"open": False, "closes": None, "opens": None},
            "It is silent, as the hours say. It is held as well, as 10.0.0.5 asked, until `residue release`.",
        ),
        (
            silent("resting", "until 10:20") | {"closes": None},
            "The house is open for more than a week. It is silent and rests until 10:20.",
        ),
        (
            silent("resting", "until 10:20"),
            "The house is open until 18:00. It is silent and rests until 10:20.",
        ),
        (
            silent("held", "by 10.0.0.5", held_by="10.0.0.5"),
            "It is silent, as 10.0.0.5 asked, since 10:01, until `residue release`.",
        ),
        (
            silent("held", "by 10.0.0.5", held_by="10.0.0.5") | {"held_until": "2026-03-03T10:30:00+01:00"},
            "The house is open until 18:00. It is silent, as 10.0.0.5 asked, since 10:01, until 10:30.",
        ),
        (
            silent("faulted", "No performance of the programme can be played."),
            "It is silent and should not be: No performance of the programme can be played.",
        ),
        (
            silent("opening", "first-batch is being prepared"),
            "The house is open until 18:00. It is silent and not ready yet: first-batch is being prepared.",
        ),
    ],
    ids=[
        "closed",
        "closed for good",
        "closed and held",
        "never closes",
        "resting",
        "held",
        "held for a time",
        "faulted",
        "opening",
    ],
)
def test_silence_is_explained_with_its_end(told: Mapping[str, Any], sentence: str) -> None:
    assert sentence in " ".join(line.strip() for line in in_words(told))


STEP: Mapping[str, Any] = {
    "ok": True,
    "why": None,
    "late_ms": -0.21,
    "faster_ppm": 12.5,
    "clock_disciplined": True,
    "clock_estimated_ms": 0.05,
    "clock_most_ms": 31.0,
    "programme": "3fa9c2d1",
}


@pytest.mark.parametrize(
    ("step", "said"),
    [
        (STEP, "in step, 0.2 ms early; clock disciplined, ±0.05 ms as its service estimates; programme 3fa9c2d1"),
        (
            {**STEP, "ok": False, "why": "clock not disciplined", "late_ms": None, "clock_disciplined": False},
            "not in step: clock not disciplined; programme 3fa9c2d1",
        ),
    ],
)
def test_a_room_in_step_says_so_and_how_well(step: Mapping[str, Any], said: str) -> None:
    [*_, last] = [line for line in (" ".join(in_words({**TOLD, "in_step": step})).split("In step ")) if line]
    assert " ".join(last.split()).startswith(said)


@pytest.mark.parametrize("told", [TOLD, silent("faulted", "The device is lost. " * 20, attention=["One fault. " * 30])])
def test_no_line_is_wider_than_a_terminal(told: Mapping[str, Any]) -> None:
    assert max(map(len, in_words(told))) <= COLUMNS


def test_what_needs_attention_takes_the_place_of_all_is_well() -> None:
    lines = in_words({**TOLD, "health": {**HEALTH, "attention": ["10.0.0.5 holds the house."]}})
    assert "Look at: 10.0.0.5 holds the house." in lines
    assert "All is well." not in lines


@pytest.mark.parametrize(
    ("lacks", "left_out"),
    [("swaps", "Swap"), ("ears_known", "Levels at the ear"), ("attention", "All is well"), ("planning_left_s", "Prep")],
)
def test_of_a_house_of_another_version_is_said_what_it_tells(lacks: str, left_out: str) -> None:
    older = {**TOLD, "health": {key: value for key, value in HEALTH.items() if key != lacks}}
    whole, lines = in_words(TOLD), in_words(older)
    gone = [line for line in whole if line not in lines]
    assert gone[0].startswith(left_out)
    assert all(line.startswith((left_out, " ")) for line in gone)
    kept = [line for line in whole if line not in gone]
    assert lines[: len(kept)] == kept
    assert "the house runs another version" in lines[len(kept)]


def test_an_answer_that_tells_nothing_known_is_no_traceback() -> None:
    assert "another version" in in_words({"health": None, "caps": 3})[0]


def test_of_a_long_event_two_lines_are_shown() -> None:
    event = {"time": "2026-03-03T09:01:02+00:00", "kind": "warns", "text": "One fault. " * 60, "sender": None}
    *_, first, last = in_words({**TOLD, "events": [event]})
    assert first.startswith("10:01:02 warns: One fault.")
    assert last.endswith(" …")
