from __future__ import annotations

from dataclasses import replace
from math import inf
from typing import Any

import pytest

from residue.watchdog.checks import CHECKS, Remedy, table
from residue.watchdog.vitals import Vitals
from residue.watchdog.watch import CALM_S, TOLD_AGAIN_S, Watchdog


def remedies(seconds: int, *, base: Vitals | None = None, moving: bool = True, **bad: Any) -> dict[str, list[Remedy]]:
    """What is taken while the vitals stand as given for so many seconds, after a good minute."""
    watchdog = Watchdog()
    taken: dict[str, list[Remedy]] = {}
    for second in range(60 + seconds):
        well = replace(base or Vitals(monotonic_s=0.0), monotonic_s=float(second), frames=second * 48_000)
        ill = {key: value(second) if callable(value) else value for key, value in bad.items()}
        now = replace(well, **ill) if second >= 60 else well
        if not moving and second >= 60:
            now = replace(now, frames=60 * 48_000)
        for due in watchdog.look(now):
            taken.setdefault(due.check.name, []).append(due.remedy)
    return taken


def test_a_healthy_house_is_left_alone() -> None:
    assert remedies(3_600) == {}


FAILINGS: list[tuple[str, dict[str, Any], list[Remedy]]] = [
    ("late blocks", {"late_blocks": lambda second: second}, [Remedy.LOG]),
    ("device lost", {"lost": "It is unplugged."}, [Remedy.LOG]),
    ("device wrong", {"lost": "It has 2 channels.", "device_wrong": True}, [Remedy.LOG, Remedy.REOPEN]),
    (
        "silent",
        {"asked_peak": 0.1, "sent_peak": 0.0},
        [Remedy.LOG, Remedy.REOPEN, Remedy.SKIP, Remedy.RESTART],
    ),
    (
        "sounding",
        {"sent_peak": 0.1, "may_sound": False},
        [Remedy.LOG, Remedy.REBUILD, Remedy.RESTART, Remedy.SILENCE],
    ),
    ("direct current", {"direct_current": 0.05}, [Remedy.LOG, Remedy.SKIP, Remedy.RESTART, Remedy.SILENCE]),
    ("stuck value", {"stuck_at": 0.1, "asked_peak": 0.1}, [Remedy.LOG, Remedy.SKIP]),
    ("start hangs", {"start_still_s": lambda second: 50.0 + second}, [Remedy.LOG, Remedy.LEAVE_OUT]),
    ("no numbers", {"muted_frames": lambda second: second}, [Remedy.LOG, Remedy.SKIP]),
    ("graph failed", {"failures": 1}, [Remedy.LOG]),
    ("performance broken", {"unplayable": 1}, [Remedy.LOG]),
    ("no plan", {"planned": False}, [Remedy.LOG]),
    ("above plan", {"governor_db": -1.5}, [Remedy.LOG]),
    ("log", {"log_trouble": "disk full"}, [Remedy.LOG]),
    ("disk", {"disk_free_share": 0.01}, [Remedy.LOG, Remedy.TIDY]),
    ("memory", {"memory_bytes": 3_000_000_000}, [Remedy.LOG, Remedy.RESTART]),
    ("heat", {"temperature_c": 91.0}, [Remedy.LOG]),
    ("throttling", {"throttled": lambda second: second}, [Remedy.LOG]),
    ("clock", {"clock_doubt": "The clock is unsure."}, [Remedy.LOG]),
    ("control port", {"too_often": lambda second: second}, [Remedy.LOG]),
]


@pytest.mark.parametrize(("check", "bad", "expected"), FAILINGS, ids=[name for name, _, _ in FAILINGS])
def test_each_way_of_failing_is_seen_by_its_check_and_no_other(
    check: str, bad: dict[str, Any], expected: list[Remedy]
) -> None:
    assert remedies(600, **bad) == {check: expected}


def test_an_engine_that_stands_is_rebuilt_and_then_the_program_is_restarted() -> None:
    assert remedies(60, moving=False) == {"engine stalls": [Remedy.LOG, Remedy.REBUILD, Remedy.RESTART]}


@pytest.mark.parametrize("pace", [0.919, 1.5, 40.0], ids=["44.1 kHz", "too fast", "no clock at all"])
def test_a_device_that_keeps_another_pace_is_wrong(pace: float) -> None:
    assert remedies(60, pace=pace) == {"device wrong": [Remedy.LOG, Remedy.REOPEN]}
    assert remedies(60, pace=1.001) == {}


def test_memory_that_grows_slowly_waits_for_closing_time() -> None:
    assert remedies(600, memory_bytes=1_600_000_000) == {}
    assert remedies(600, memory_bytes=1_900_000_000) == {"memory": [Remedy.LOG, Remedy.RESTART]}
    closed = Vitals(monotonic_s=0.0, closed=True)
    assert remedies(600, base=closed, memory_bytes=1_600_000_000) == {"memory": [Remedy.LOG, Remedy.RESTART]}


def test_a_governor_that_holds_everything_down_is_no_fault_of_the_device() -> None:
    assert remedies(60, asked_peak=0.1, sent_peak=0.0, governor_db=-60.0) == {"above plan": [Remedy.LOG]}


def test_what_the_caps_assume_of_a_lost_log_is_no_fault_of_the_plan() -> None:
    [check] = [one for one in CHECKS if one.name == "above plan"]
    held = Vitals(monotonic_s=1.0, governor_db=-inf)
    assert check.bad(held, held) == "The level is above the plan; the governor takes everything away."
    assumed = "The caps count sound before the start that no row shows; the governor takes everything away."
    assert check.bad(replace(held, assumed=True), held) == assumed


def test_every_check_has_a_way_of_failing_in_these_tests() -> None:
    assert {name for name, _, _ in FAILINGS} | {"engine stalls"} == {check.name for check in CHECKS}


def test_every_performance_that_does_not_begin_is_left_out() -> None:
    watchdog, left_out_at = Watchdog(), []
    for second in range(400):
        still_s = second % 100  # each hangs, and is left out after a minute and a bit; then the next is tried
        now = Vitals(monotonic_s=float(second), frames=second, start_still_s=float(still_s))
        left_out_at += [second for due in watchdog.look(now) if due.remedy is Remedy.LEAVE_OUT]
    assert left_out_at == [61, 161, 261, 361]


def test_remedies_climb_and_keep_their_distance() -> None:
    watchdog, taken = Watchdog(), []
    for second in range(200):
        now = Vitals(monotonic_s=float(second), frames=second, asked_peak=0.1)
        taken += [(due.remedy, second) for due in watchdog.look(now)]
    assert [remedy for remedy, _ in taken] == [Remedy.LOG, Remedy.REOPEN, Remedy.SKIP, Remedy.RESTART]
    assert [second for _, second in taken] == [2, 2, 4, 6]


def test_a_fault_that_flickers_does_not_begin_at_the_first_remedy_each_time() -> None:
    watchdog, taken = Watchdog(), []
    for second in range(300):
        peak = 0.1 if second % 10 < 4 else 0.0
        taken += watchdog.look(Vitals(monotonic_s=float(second), frames=second, asked_peak=peak))
    assert [due.remedy for due in taken][:4] == [Remedy.LOG, Remedy.REOPEN, Remedy.SKIP, Remedy.RESTART]
    assert {due.remedy for due in taken[4:]} == {Remedy.RESTART}
    watchdog.look(Vitals(monotonic_s=300.0, frames=300))
    watchdog.look(Vitals(monotonic_s=300.0 + CALM_S, frames=301))
    assert watchdog.look(Vitals(monotonic_s=301.0 + CALM_S, frames=302, lost="It is unplugged."))


def test_a_fault_that_is_only_logged_is_told_again_when_it_comes_back_but_not_each_time_that_it_flickers() -> None:
    watchdog = Watchdog()

    def told(at_s: float, why: str | None) -> list[str]:
        seen = Vitals(monotonic_s=at_s, frames=round(at_s), log_trouble=why)
        return [due.why for due in watchdog.look(seen) if due.check.name == "log"]

    assert told(1.0, None) == []
    assert ["disk is full" in why for why in told(2.0, "disk is full")] == [True]
    flickers = [why for at_s in range(3, 60) for why in told(at_s, "disk is full" if at_s % 2 else None)]
    assert flickers == []
    assert ["slow" in why for at_s in range(60, 70) for why in told(at_s, "slow")] == [True]
    every_ten_s = [at_s for at_s in range(70, 370) if told(at_s, None if at_s % 10 else "slow")]
    assert every_ten_s == [130, 190, 250, 310], f"at most each {TOLD_AGAIN_S:g} s"
    assert told(500.0, None) == []
    assert ["slow" in why for why in told(501.0, "slow")] == [True]


def test_one_performance_after_the_other_that_sticks_is_left_out() -> None:
    watchdog, taken = Watchdog(), []
    for second in range(400):
        stuck_at = 0.1 if second % 200 >= 100 else 0.0
        now = Vitals(monotonic_s=float(second), frames=second, asked_peak=stuck_at, stuck_at=stuck_at)
        taken += [(due.remedy, second) for due in watchdog.look(now)]
    assert taken == [(Remedy.LOG, 105), (Remedy.SKIP, 105), (Remedy.SKIP, 305)]


def test_alarms_are_what_is_wrong_now() -> None:
    watchdog = Watchdog()
    watchdog.look(Vitals(monotonic_s=0.0))
    watchdog.look(Vitals(monotonic_s=1.0, frames=1, lost="It is unplugged."))
    assert watchdog.alarms == ["It is unplugged."]
    watchdog.look(Vitals(monotonic_s=2.0, frames=2))
    assert watchdog.alarms == []


def test_the_table_for_the_guides_names_every_check() -> None:
    assert all(f"| {check.name} |" in table() for check in CHECKS)
