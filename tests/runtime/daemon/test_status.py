from __future__ import annotations

import json
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import cast
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from residue.control.status_in_words import in_words
from residue.loudness.stage.history import Assumption, SentHistory
from residue.loudness.stage.stage import CapStage
from residue.mapping.trust import BodyReading
from residue.runtime.daemon.disturbances import Disturbances
from residue.runtime.daemon.status import Known, line, status
from residue.runtime.engine.snapshot import Snapshot
from residue.runtime.house.house import House
from residue.runtime.house.house_state import State
from residue.runtime.planning.planner import NOTHING
from residue.runtime.planning.planning import Advance, Outcome
from residue.schedule.opening import EventTerms, Opening
from tests.runtime.stubs import CAPS, OUTPUTS

BERLIN = ZoneInfo("Europe/Berlin")
NOW = datetime(2026, 3, 3, 9, 4, 21, tzinfo=UTC)
CLOSES = datetime(2026, 3, 3, 18, 0, tzinfo=BERLIN)
QUIET = Known(
    now=NOW,
    folder=Path("/srv/residue"),
    piece="Night Dough",
    place="North hall",
    zone=BERLIN,
    opening=Opening(datetime(2026, 3, 3, 10, 0, tzinfo=BERLIN), CLOSES, "tue"),
    next_change=CLOSES,
    house=House(since=NOW),
    monotonic_s=1_000.0,
    engine=Snapshot(),
    disturbances=Disturbances(),
    started_s=400.0,
    assumed=[],
    alarms=[],
    events=[],
    ears_known=True,
    advance=None,
    plan=NOTHING,
    memory_bytes=0,
)


def told(known: Known) -> dict[str, object]:
    found: dict[str, object] = json.loads(json.dumps(status(known), allow_nan=False))
    return found


def words(known: Known) -> str:
    return " ".join(line.strip() for line in in_words(told(known)))


def test_a_house_that_its_governor_keeps_silent_can_be_asked_how_it_is() -> None:
    """As after a start with a log that cannot be read: every cap counts as used up, and JSON knows no infinity."""
    stage = CapStage(OUTPUTS, CAPS, SentHistory(unreadable=True))
    for _ in range(5):
        stage.process(np.full((2, 4800), 0.1) * np.sin(np.arange(4800) / 20))
    known = replace(QUIET, engine=Snapshot(reading=stage.reading()))
    assert status(known)["health"]["governor_gain_db"] is None
    assert "LAeq over 1 min" in line(known)
    assert "another version" not in words(known)


def test_a_reading_that_is_held_is_told_as_such() -> None:
    readings = {"pulse": BodyReading(71.3, 0.0), "beats": BodyReading(None, 1.0)}
    known = replace(QUIET, engine=Snapshot(performance="early-oven", readings=readings))
    assert told(known)["readings"] == {"pulse": {"value": 71.3, "trust": 0.0}, "beats": {"value": None, "trust": 1.0}}
    assert "pulse: 71.3, trust 0.00, not measured now" in words(known)
    assert "beats: trust 1.00" in words(known)


def test_the_times_are_those_of_the_place() -> None:
    assert told(QUIET)["closes"] == "2026-03-03T18:00:00+01:00"
    closed = told(replace(QUIET, opening=None, next_change=CLOSES + timedelta(hours=16)))
    assert (closed["closes"], closed["opens"]) == (None, "2026-03-04T10:00:00+01:00")


def test_a_quiet_house_is_well() -> None:
    assert status(QUIET)["health"]["ok"]
    assert words(QUIET).endswith("All is well.")


@pytest.mark.parametrize(
    ("known", "sentence"),
    [
        (replace(QUIET, alarms=["The disk is full."]), "The disk is full."),
        (
            replace(QUIET, house=House(state=State.HELD, since=NOW, held_by="10.0.0.5", held_until_s=1_900.0)),
            "The house is held, as 10.0.0.5 asked. `residue release` ends the hold.",
        ),
        (
            replace(QUIET, house=House(since=NOW, trim_db=-6.0, trimmed_by="10.0.0.5")),
            "A trim of -6.0 dB is set, as 10.0.0.5 asked. `residue trim 0` ends it.",
        ),
        (
            replace(QUIET, disturbances=Disturbances(losses=1, last_loss=NOW - timedelta(minutes=59))),
            "The sound device was lost at 09:05. Look at its cable and power.",
        ),
        (
            replace(QUIET, disturbances=Disturbances(late_blocks=3, last_late=NOW)),
            "Late blocks since the start: 3, the last at 10:04.",
        ),
    ],
    ids=["an alarm", "a hold", "a trim", "a loss", "a late block"],
)
def test_all_is_well_is_said_only_if_it_is(known: Known, sentence: str) -> None:
    health = status(known)["health"]
    assert not health["ok"]
    assert any(one.startswith(sentence) for one in health["attention"])
    assert "All is well." not in words(known)


@pytest.mark.parametrize(
    ("assumed_s", "spared_s", "left_s", "sentence"),
    [
        (
            900.0,
            0.0,
            900.0,
            "is lost, so caps over 15 min count as used up: quieter until 10:09.",
        ),
        (
            12.5,
            0.0,
            700.0,
            "12.5 s before the start are not logged, so caps over 15 min count the most",
        ),
        (
            2.5,
            130.0,
            880.0,
            "Up to 3 min before the start have no row, so caps over 15 min count half of their limit for them: quieter",
        ),
    ],
    ids=["a lost history", "hard stops", "a power cut"],
)
def test_what_is_assumed_is_told_until_it_is_over(
    assumed_s: float, spared_s: float, left_s: float, sentence: str
) -> None:
    """The house started 600 s before."""
    assumption = Assumption(window_s=900.0, assumed_s=assumed_s, spared_s=spared_s, left_s=left_s)
    known = replace(QUIET, assumed=[assumption])
    [one] = status(known)["health"]["attention"]
    assert sentence in one
    assert [part["window_s"] for part in status(known)["assumed"]] == [900.0]
    assert status(replace(known, monotonic_s=400.0 + left_s))["assumed"] == []


def test_what_nobody_hears_is_told_and_needs_no_attention() -> None:
    """As each morning after a night in which the machine was off. The house started 600 s before."""
    known = replace(QUIET, assumed=[Assumption(window_s=900.0, assumed_s=2.5, untold_s=850.0, left_s=880.0)])
    assert status(known)["health"]["ok"]
    sentence = "caps over 15 min count a tenth, as no run is known of in 14 min before the start: 0.5 dB less at most"
    assert sentence in words(known)
    assert [part["untold_s"] for part in cast(list[dict[str, float]], told(known)["assumed"])] == [850.0]


def test_a_disturbance_of_this_morning_is_told_and_no_longer_needs_attention() -> None:
    known = replace(QUIET, disturbances=Disturbances(losses=1, last_loss=NOW - timedelta(minutes=61)))
    assert status(known)["health"]["ok"]
    assert "lost 0 times, last at 09:03" in words(known)


def test_it_tells_who_made_it_quieter_and_by_how_much() -> None:
    private = Opening(QUIET.now, CLOSES, "Baker's breakfast", EventTerms(trim_db=-9.0))
    plan = Outcome(
        gain_db={"first-batch": -2.94}, words={}, duration_s={}, unplayable={}, digest={"first-batch": "3f" * 32}
    )
    engine = Snapshot(performance="first-batch")
    house = House(state=State.PLAYING, since=NOW, trim_db=-3.0, trimmed_by="10.0.0.5")
    known = replace(QUIET, engine=engine, house=house, opening=private, plan=plan)
    assert told(known)["lowered"] == [
        {"by": "plan", "db": -2.9, "who": None},
        {"by": "trim", "db": -3.0, "who": "10.0.0.5"},
        {"by": "hours", "db": -9.0, "who": "Baker's breakfast"},
    ]
    assert told(known)["bag"] == {"folder": "performances/first-batch", "sha256": "3f" * 32}
    assert "Lowered plan -2.9 dB, trim -3.0 dB (10.0.0.5), hours -9.0 dB (Baker's breakfast)" in " ".join(
        words(known).split()
    )


def test_what_a_proof_lowers_is_told_with_the_rest() -> None:
    proof: dict[str, object] = {"at": NOW, "found": {}, "background_db": 31.0, "trouble": None, "lowered_db": -6.0}
    playing = House(state=State.PLAYING, since=NOW)
    known = replace(QUIET, proof=proof, house=playing, engine=Snapshot(performance="first-batch"))
    assert told(known)["proof"] == {**proof, "at": "2026-03-03T10:04:21+01:00"}
    assert told(known)["lowered"] == [{"by": "proof", "db": -6.0, "who": None}]
    assert "Lowered proof -6.0 dB" in " ".join(words(known).split())
    assert told(QUIET)["proof"] is None


def test_what_the_microphone_hears_stands_below_the_caps() -> None:
    cap = {"name": "LAeq over 1 min", "level": 91.0, "limit": 90.0, "headroom_db": -1.0, "unit": "dB(A)"}
    proof: dict[str, object] = {
        "at": None,
        "found": {},
        "background_db": None,
        "trouble": None,
        "lowered_db": 0.0,
        "room_caps": [cap],
    }
    said = " ".join(words(replace(QUIET, proof=proof)).split())
    assert "Heard LAeq over 1 min: 91.0 dB(A), limit 90.0 dB(A)" in said


def test_a_hold_tells_when_it_ends_by_itself() -> None:
    held = House(state=State.HELD, since=NOW, held_by="10.0.0.5", held_until_s=1_600.0)
    assert told(replace(QUIET, house=held))["held_until"] == "2026-03-03T10:14:21+01:00"
    assert told(replace(QUIET, house=replace(held, held_until_s=float("inf"))))["held_until"] is None


def test_preparing_is_told_in_percent_with_the_time_that_is_left() -> None:
    advance = Advance(performance="first-batch", what="levels", share=0.43, left_s=240.0, number=1, count=3)
    opening = House(state=State.OPENING, since=NOW, reason="first-batch is being prepared")
    known = replace(QUIET, advance=advance, house=opening)
    assert "first-batch (1 of 3), 43% done, about 4 min left" in words(known)
    assert "first-batch is made ready, 43%" in line(known)
