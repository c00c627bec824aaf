"""Work beside the daemon's loop."""

from __future__ import annotations

import asyncio
from threading import Event

import pytest

from residue.runtime.system.beside_loop import in_thread, kept_up

LONG_S = 60.0


def test_it_gives_what_the_work_gives_or_raises() -> None:
    async def both() -> tuple[int, str]:
        with pytest.raises(ValueError, match="no number"):
            await in_thread(int, "no number")
        return await in_thread(int, "12"), await in_thread(str.upper, "so")

    assert asyncio.run(both()) == (12, "SO")


def test_nobody_waits_at_the_end_for_work_that_does_not_answer() -> None:
    begun, answers, ended = Event(), Event(), Event()

    def hangs() -> None:
        begun.set()
        answers.wait(LONG_S)
        ended.set()

    async def while_it_hangs() -> None:
        work = asyncio.create_task(in_thread(hangs))
        while not begun.is_set():
            await asyncio.sleep(0.001)
        work.cancel()

    asyncio.run(while_it_hangs())
    assert not ended.is_set()
    answers.set()
    assert ended.wait(LONG_S), "and what it gives then is of no use to a loop that has ended"


def test_work_that_fails_is_told_and_begun_again() -> None:
    said, outcomes = list[str](), [OSError("no more threads"), None]

    async def work() -> None:
        if (error := outcomes.pop(0)) is not None:
            raise error

    asyncio.run(kept_up(work, lambda kind, text: said.append(f"{kind}: {text}"), again_s=0.0))
    assert outcomes == []
    assert said == ["fault: Work beside the house failed, and begins again in 0 s: no more threads."]
