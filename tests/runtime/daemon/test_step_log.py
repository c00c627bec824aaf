from __future__ import annotations

from datetime import UTC, datetime, timedelta

from residue.runtime.daemon.step_log import StepLog
from residue.runtime.daemon.step_state import StepState

OPENS = datetime(2026, 12, 3, 10, 0, tzinfo=UTC)


class House:
    """A house whose step log is asked every 5 s of a clock of the test."""

    def __init__(self) -> None:
        self.log: list[str] = []
        self.steps = StepLog(lambda kind, text: self.log.append(f"{kind}: {text}"))
        self.now_s = 0.0

    def pass_time(self, over_s: float, late_ms: float | None, why: str | None = None, *, is_open: bool = True) -> None:
        step = StepState(why=why, fault=None, late_ms=late_ms, faster_ppm=1.0, clock=None, programme=None)
        for _ in range(round(over_s / 5.0)):
            self.now_s += 5.0
            now = OPENS + timedelta(seconds=self.now_s)
            self.steps.look(step, OPENS if is_open else None, now, self.now_s)


def test_an_opening_tells_for_how_long_a_room_was_in_step_and_how_well() -> None:
    house = House()
    house.pass_time(600.0, None, "falling in", is_open=False)
    assert house.log == []
    house.pass_time(30.0, None, "falling in")
    house.pass_time(1_000.0, -0.2)
    house.pass_time(1_000.0, 0.4)
    house.pass_time(20.0, None, "the clock may be off by 4.2 ms")
    house.pass_time(5.0, 0.4)
    house.pass_time(5.0, None, "falling in", is_open=False)
    assert house.log == [
        "out of step: The room is out of step with the others: the clock may be off by 4.2 ms.",
        "in step: The room is in step with the others again.",
        "in step: With other rooms, since 10:10:05: in step for 33:25; 0.30 ms from its clock on average, 0.40 ms at "
        "most; out of step for 0:45.",
    ]


def test_a_power_cut_takes_an_hour_of_it_at_most_and_the_end_of_the_program_nothing() -> None:
    house = House()
    house.pass_time(7_300.0, 0.1)
    assert [line.split(";")[0] for line in house.log] == [
        "in step: With other rooms, since 10:00:05: in step for 1:00:00",
        "in step: With other rooms, since 10:00:05: in step for 2:00:00",
    ]
    house.steps.end()
    house.steps.end()
    assert len(house.log) == 3
    assert house.log[-1].endswith("never out of step.")


def test_a_room_that_plays_alone_logs_nothing() -> None:
    house = House()
    house.steps.look(None, OPENS, OPENS, 5.0)
    house.steps.end()
    assert house.log == []
