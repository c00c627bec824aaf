from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest

from residue.output.in_step import Skew
from residue.output.in_step_settings import InStep
from residue.runtime.daemon.step_state import StepState, step_state
from residue.runtime.engine.snapshot import Snapshot
from residue.runtime.system.discipline import Discipline
from residue.schedule.agenda import AgendaEntry

BEGINS = datetime(2026, 3, 3, 10, tzinfo=UTC)
ENTRIES = [AgendaEntry("first-batch", BEGINS, BEGINS + timedelta(minutes=5), whole=True)]
GOOD = Discipline(disciplined=True, estimated_ms=0.05, most_ms=31.0)
PLAYING = Snapshot(skew=Skew(0.00021, -34.567))
DIGEST = {"first-batch": "3fa9"}


def state(
    engine: Snapshot = PLAYING,
    clock: Discipline | None = GOOD,
    entries: list[AgendaEntry] | None = ENTRIES,
    digest: dict[str, str] = DIGEST,
    *,
    open_now: bool = True,
) -> StepState:
    return step_state(InStep(), engine, clock, entries, digest, open_now=open_now)


def test_a_room_in_step_says_how_well() -> None:
    assert state().told == {
        "ok": True,
        "why": None,
        "late_ms": 0.21,
        "faster_ppm": -34.57,
        "clock_disciplined": True,
        "clock_estimated_ms": 0.05,
        "clock_most_ms": 31.0,
        "programme": state().programme,
    }
    assert state().fault is None


@pytest.mark.parametrize(
    ("found", "why", "fault"),
    [
        (state(clock=None), "the kernel does not say whether the clock is disciplined", "residue unit"),
        (state(clock=replace(GOOD, disciplined=False)), "clock not disciplined", "chrony"),
        (state(clock=replace(GOOD, estimated_ms=4.2)), "the clock may be off by 4.2 ms", "than the 1 ms of room.toml"),
        (state(entries=None), "not all lengths are known", "made ready"),
    ],
)
def test_what_a_person_has_to_mend_is_a_fault(found: StepState, why: str, fault: str) -> None:
    assert found.why == why
    assert found.fault is not None
    assert why in found.fault
    assert fault in found.fault


@pytest.mark.parametrize(
    ("found", "why"),
    [
        (state(replace(PLAYING, lost="It is unplugged.")), "the sound device is lost"),
        (state(replace(PLAYING, astray=True, skew=None)), "falling in"),
        (state(Snapshot()), "falling in"),
        (state(entries=None, open_now=False), None),
    ],
)
def test_what_passes_by_itself_is_none(found: StepState, why: str | None) -> None:
    assert found.why == why
    assert found.fault is None


def test_rooms_that_play_the_same_at_the_same_times_have_the_same_programme() -> None:
    zoned = [replace(one, begins=one.begins.astimezone()) for one in ENTRIES]
    later = [replace(one, begins=one.begins + timedelta(seconds=1)) for one in ENTRIES]
    assert state(entries=zoned).programme == state().programme
    assert state(entries=later).programme != state().programme
    assert state(digest={"first-batch": "77aa"}).programme != state().programme
    assert state(entries=None, open_now=False).programme is None
