from __future__ import annotations

import asyncio
from pathlib import Path

import msgspec
import numpy as np
import pytest

from residue.proof.messages import HeardSecond, RoomChange, WatchTold
from residue.proof.settings import Microphone
from residue.runtime.daemon import room_watch
from residue.runtime.daemon.room_watch import MOST_BLOCKS, RoomWatch

EAR = Microphone(device="Ear", before_opening_min=10.0, while_open=True)
BLOCK = np.full((2, 4_800), 0.25)
PROCESS = """
import sys
first = sys.stdin.buffer.readline()
block = sys.stdin.buffer.read(20 + 2 * 4 * 4800)
open({told!r}, "wb").write(first + block)
for line in {lines!r}:
    print(line, flush=True)
sys.stdin.buffer.read({more})
"""


def standing_in(monkeypatch: pytest.MonkeyPatch, folder: Path, *told: WatchTold, more: int = -1) -> Path:
    """A process that keeps the first of what it gets, tells these, and reads more; -1: as long as the house goes on."""
    got = folder / "got"
    program = PROCESS.format(told=str(got), lines=[msgspec.json.encode(one).decode() for one in told], more=more)
    (folder / "program.py").write_text(program)
    monkeypatch.setattr(room_watch, "command_of", lambda _module, _rest: ["python3", str(folder / "program.py")])
    monkeypatch.setattr(room_watch, "LOOK_S", 0.01)
    return got


async def over(watch: RoomWatch, keeping: asyncio.Task[None]) -> None:
    """Ends it once the house is closed and the process has ended."""
    while watch._listening:
        await asyncio.sleep(0.01)
    keeping.cancel()
    await asyncio.gather(keeping, return_exceptions=True)


def test_what_is_sent_reaches_the_process_and_what_it_tells_lowers_the_house(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    changes = [(1.2, 1.0), (6.1, 5.0), (6.1, 5.4), (6.0, 6.0)]
    told = [RoomChange(change_db=change_db, louder_db=louder_db) for change_db, louder_db in changes]
    got = standing_in(monkeypatch, tmp_path, *told)
    louder: list[float] = []
    watch = RoomWatch(EAR, 2, lambda: len(louder) < 2, louder.append, lambda _alarm: None)

    async def evening() -> None:
        keeping = asyncio.create_task(watch.keep())
        while len(louder) < 2:
            watch.sent(9_600, BLOCK, 77.5)
            await asyncio.sleep(0.01)
        await over(watch, keeping)

    asyncio.run(asyncio.wait_for(evening(), 60.0))
    assert louder == [5.0, 1.0], "what is less than 2 dB is nothing, and so is half a dB more"
    asked, _, block = got.read_bytes().partition(b"\n")
    assert b'"outputs":2' in asked
    assert np.array_equal(np.frombuffer(block, np.float32, offset=20), np.full(9_600, 0.25, np.float32))


def test_why_nothing_can_be_told_needs_attention(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    standing_in(monkeypatch, tmp_path, RoomChange(trouble="The microphone is overloaded."))
    is_open = [True]
    watch = RoomWatch(EAR, 2, lambda: is_open[0], lambda _db: None, lambda _alarm: None)
    said: list[str | None] = []

    def alarm() -> str | None:
        return watch.alarm

    async def evening() -> None:
        keeping = asyncio.create_task(watch.keep())
        while alarm() is None:
            watch.sent(0, BLOCK, 0.0)
            await asyncio.sleep(0.01)
        said.append(alarm())
        is_open[0] = False
        while alarm() is not None:
            await asyncio.sleep(0.01)
        await over(watch, keeping)

    asyncio.run(asyncio.wait_for(evening(), 60.0))
    assert said == ["Whether the room is too loud is not known. The microphone is overloaded."], "until it closes"


@pytest.mark.parametrize(
    ("told", "more", "silent_s", "said"),
    [
        ([HeardSecond(), RoomChange(change_db=0.1)], 0, 60.0, "The process that listens has ended."),
        (
            [HeardSecond(trouble='There is no sound device "Ear". Plug it in.')],
            0,
            60.0,
            'There is no sound device "Ear".',
        ),
        ([HeardSecond()], -1, 0.0, "The microphone does not answer: look at its cable."),
    ],
    ids=["it has ended", "it cannot open the microphone", "it says nothing more"],
)
def test_a_room_is_never_unwatched_without_a_word_and_a_word_says_when_it_is_watched_again(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, told: list[WatchTold], more: int, silent_s: float, said: str
) -> None:
    standing_in(monkeypatch, tmp_path, *told, more=more)
    monkeypatch.setattr(room_watch, "AGAIN_S", 0.0)
    monkeypatch.setattr(room_watch, "SILENT_S", silent_s)
    changes: list[str | None] = []
    watch = RoomWatch(EAR, 2, lambda: len(changes) < 2, lambda _db: None, changes.append)

    async def evening() -> None:
        keeping = asyncio.create_task(watch.keep())
        while not changes:
            watch.sent(0, BLOCK, 0.0)
            await asyncio.sleep(0.01)
        assert watch.alarm == changes[0]
        standing_in(monkeypatch, tmp_path, HeardSecond())
        monkeypatch.setattr(room_watch, "SILENT_S", 60.0)
        while len(changes) < 2:
            watch.sent(0, BLOCK, 0.0)
            await asyncio.sleep(0.01)
        await over(watch, keeping)

    asyncio.run(asyncio.wait_for(evening(), 60.0))
    assert str(changes[0]).startswith(f"{room_watch.NOT_KNOWN} {said}")
    assert changes[1:] == [None]
    assert watch.alarm is None


def test_handing_over_never_waits_and_keeps_no_more_than_half_a_minute() -> None:
    watch = RoomWatch(EAR, 2, lambda: True, lambda _db: None, lambda _alarm: None)
    watch.sent(0, BLOCK, 0.0)
    assert not watch._blocks, "nobody listens yet"
    watch._listening = True
    for number in range(MOST_BLOCKS + 50):
        watch.sent(4_800 * number, BLOCK, 0.0)
    assert len(watch._blocks) == MOST_BLOCKS


@pytest.mark.parametrize("microphone", [None, msgspec.structs.replace(EAR, while_open=False)], ids=["none", "closed"])
def test_a_microphone_that_is_not_to_listen_while_it_is_open_does_not(microphone: Microphone | None) -> None:
    watch = RoomWatch(microphone, 2, lambda: True, lambda _db: None, lambda _alarm: None)
    asyncio.run(asyncio.wait_for(watch.keep(), 10.0))
    assert watch.alarm is None
