"""When the planner pauses, and that it does. Checked on a clock of the test, and with the planner's own process."""

from __future__ import annotations

import os
import threading
from pathlib import Path

import pytest

from residue.installation.load import load
from residue.runtime.planning import planner
from residue.runtime.planning.giving_way import FIRST_S, FORGET_S, GO, LONGEST_S, PAUSE, RUN_S, GivingWay, PlannerGate
from residue.runtime.planning.planner import Planner
from tests.runtime import kitchen
from tests.runtime.asking import wait_until

TICK_S = 0.25


def played(late_at_s: list[float], seconds: float, *, sounds: bool = True, busy: float = 0.1) -> list[float]:
    """The moments at which the planner pauses, of a house that is late at these."""
    giving_way, paused = GivingWay(), []
    for tick in range(round(seconds / TICK_S)):
        now_s = tick * TICK_S
        late = len([at_s for at_s in late_at_s if at_s <= now_s])
        if giving_way(late_blocks=late, busy=busy, sounds=sounds, now_s=now_s):
            paused.append(now_s)
    return paused


def test_a_late_block_makes_a_pause_and_no_late_block_none() -> None:
    assert played([], 300.0) == []
    paused = played([10.0], 300.0)
    assert paused[0] == 10.0
    assert len(paused) * TICK_S == FIRST_S


def test_pauses_become_longer_up_to_a_bound_and_short_again() -> None:
    """A house that is always late lets the planner run for a thirtieth of the time."""
    always = [tick * TICK_S for tick in range(4_000)]
    run_s = 1_000.0 - len(played(always, 1_000.0)) * TICK_S
    assert run_s == pytest.approx(1_000.0 * RUN_S / (LONGEST_S + RUN_S), rel=0.1)
    paused_s = played([0.0, 3.5, 200.0], 400.0)
    assert len([one for one in paused_s if one < 100.0]) * TICK_S == FIRST_S + 2.0 * FIRST_S
    assert len([one for one in paused_s if one >= 100.0]) * TICK_S == FIRST_S
    assert FIRST_S < LONGEST_S < FORGET_S


def test_a_block_that_is_nearly_late_counts_and_silence_does_not() -> None:
    assert played([], 10.0, busy=0.9)[0] == 0.0
    assert played([1.0, 2.0], 10.0, sounds=False, busy=0.9) == []


def test_what_waits_at_the_gate_goes_on_when_told_or_when_nobody_is_left_to_tell() -> None:
    for end in (lambda told: os.write(told, GO), os.close):
        heard, told = os.pipe()
        gate, passed = PlannerGate(heard), threading.Event()
        gate.wait()
        os.write(told, PAUSE)
        wait_until(lambda gate=gate: not gate._open.is_set())  # type: ignore[misc]
        threading.Thread(target=lambda gate=gate, passed=passed: (gate.wait(), passed.set())).start()
        assert not passed.is_set()
        end(told)
        assert passed.wait(60.0)


def test_a_planner_that_ends_before_it_is_told_to_pause_is_told_by_its_status(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    installation = load(kitchen.build(tmp_path, port=47_398, duration_s=1.0))
    deaf, ends = tmp_path / "deaf", tmp_path / "ends"
    dies = f"exec 0<&-; touch {deaf}; while [ ! -e {ends} ]; do sleep 0.01; done; exit 3"
    monkeypatch.setattr(planner, "command_of", lambda *_: ["sh", "-c", dies])
    one = Planner(lambda: installation, tmp_path / "cache", lambda: ())
    one.start()
    wait_until(deaf.exists)
    one.give_way(pauses=True)
    ends.touch()
    wait_until(lambda: one.trouble is not None)
    one.end()
    assert one.trouble == "The planner ended with status 3."


@pytest.mark.long
def test_the_planner_in_its_process_pauses_and_goes_on(tmp_path: Path) -> None:
    installation = load(kitchen.build(tmp_path, port=47_398, duration_s=300.0))
    one = Planner(lambda: installation, tmp_path / "cache", lambda: ())
    one.start()
    wait_until(lambda: one.advance is not None)
    one.give_way(pauses=True)
    process = one._process
    assert process is not None
    stat = Path(f"/proc/{process.pid}/stat")

    def used() -> int:
        fields = stat.read_text().rsplit(")", 1)[1].split()
        return int(fields[11]) + int(fields[12])

    def rests() -> bool:
        before = used()
        return all(used() == before for _ in range(2_000))

    wait_until(rests)
    assert not one.outcome.complete
    one.give_way(pauses=False)
    wait_until(lambda: one.outcome.complete)
    one.end()
