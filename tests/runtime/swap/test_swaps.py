"""Swaps from being asked for to being taken, with the planner's process played by the test."""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable, Sequence
from datetime import UTC, date, datetime
from pathlib import Path
from typing import cast

import msgspec
import pytest

from residue.archive.bag import payload_digest, seal
from residue.archive.swap.asking import ask_back, stage
from residue.archive.swap.places import Candidate, Request, When
from residue.archive.swap.taking import waiting, withdraw
from residue.installation.load import Installation, load
from residue.problems import stopping
from residue.runtime.planning.planning import Advance, Outcome
from residue.runtime.swap import swaps as module
from residue.runtime.swap.moment import Moment
from residue.runtime.swap.swaps import MOST_ATTEMPTS, SETTLED_S, STALE_S, TOLD_S, SwapDone, Swaps
from residue.runtime.system.child_process import ChildProcess
from tests.runtime import kitchen

ASKED = datetime(2026, 3, 2, 9, tzinfo=UTC)
CLOSED = Moment()
PLAYING = Moment("first-batch", begun=True, opened=datetime(2026, 3, 2, 8, tzinfo=UTC))
ADVANCE = Advance(performance="first-batch", what="levels", share=0.5, left_s=None, number=1, count=2)
GOOD = Outcome(
    gain_db={"first-batch": -1.0, "second-batch": -1.0},
    words={"first-batch": "It is lowered by 1 dB."},
    duration_s={},
    unplayable={},
)


class Process:
    """Another process, as the test wants it to be."""

    def __init__(self, module: str, arguments: Sequence[str]) -> None:
        self.module, self.arguments = module, arguments
        self.status: int | None = None
        self.said: list[bytes] = []
        self.complaint = ""
        self.ended = False

    def answers(self, outcome: Outcome) -> None:
        told = (ADVANCE, outcome)
        self.said = [msgspec.json.encode(one) + b"\n" for one in told]
        self.status = 0

    def fails(self, status: int, complaint: str = "") -> None:
        self.status, self.complaint = status, complaint

    def end(self) -> None:
        self.ended = True


class House:
    """An installation with its swaps, and a clock that the test moves."""

    def __init__(self, folder: Path) -> None:
        self.installation: Installation = load(kitchen.build(folder, 47_399, duration_s=0.2))
        self.performances = self.installation.folder / "performances"
        kitchen._evening(folder / "recorded-third-batch", 5, 0.2)
        self.stick = folder / "stick" / "third-batch"
        seal(folder / "recorded-third-batch", self.stick, {}, date(2026, 3, 1))
        self.processes: list[Process] = []
        self.swaps = Swaps(lambda: self.installation, folder / "cache", self._send)
        self.now_s = 0.0
        self.said: list[str] = []

    def _send(self, name: str, arguments: Sequence[str]) -> ChildProcess:
        self.processes.append(Process(name, arguments))
        return cast(ChildProcess, self.processes[-1])

    def look(self, moment: Moment = CLOSED, after_s: float = 0.5, *, planning: bool = False) -> SwapDone | None:
        self.now_s += after_s
        taken, said = self.swaps.look(moment, self.now_s, planning=planning)
        self.said += said
        return taken

    def stage(self, when: When = When.AT_REST, name: str = "first-batch") -> None:
        stage(self.stick, self.performances, name, when, self.installation.graph.needs, ASKED)

    def drop(self, when: When = When.AT_REST) -> Path:
        return shutil.copytree(self.stick, self.performances / f"first-batch.{when}")

    def playing(self) -> str:
        return payload_digest(self.performances / "first-batch")

    def states(self) -> list[str | None]:
        return [told["state"] for told in self.swaps.told]


@pytest.fixture
def house(tmp_path: Path) -> House:
    return House(tmp_path)


def test_a_copy_that_waits_is_planned_in_the_old_ones_place_held_back_and_taken(house: House) -> None:
    house.stage()
    assert house.look(PLAYING) is None
    [planner] = house.processes
    assert planner.module == "residue.runtime.planning.planning"
    assert planner.arguments[-1] == f"first-batch={house.performances}/.first-batch.waiting"
    assert house.states() == ["being checked"]
    assert house.swaps.held_back == frozenset()
    planner.answers(GOOD)
    assert house.look(PLAYING) is None
    assert house.states() == ["ready"]
    assert house.swaps.held_back == {"first-batch"}, "the old one is not begun again"
    assert house.look(PLAYING) is None, "and not disturbed"
    assert house.look(CLOSED) == SwapDone("first-batch", GOOD)
    assert house.playing() == payload_digest(house.stick)
    assert house.look() is None
    assert house.swaps.held_back == frozenset()
    assert house.states() == []
    assert [line.partition(": ")[2] for line in house.said] == [
        "it is being checked, and the old one plays on.",
        "it is ready.",
        "it has taken it. It is lowered by 1 dB.",
    ]


def test_the_old_one_is_held_back_for_a_look_before_anything_moves(house: House) -> None:
    house.stage()
    house.look()
    house.processes[0].answers(GOOD)
    assert house.look(CLOSED) is None, "something may have been begun since"
    assert house.look(CLOSED) is not None


@pytest.mark.parametrize("by", ["a copy", "a drop"])
def test_what_the_planner_refuses_leaves_the_old_one_and_says_why(house: House, by: str) -> None:
    old = house.playing()
    if by == "a copy":
        house.stage()
    else:
        house.drop()
        house.look()
    house.look(after_s=SETTLED_S)
    where = house.processes[0].arguments[-1].rpartition("/")[2]
    bad = {"first-batch": f"{where}: There is no channel."}
    house.processes[0].answers(msgspec.structs.replace(GOOD, unplayable=bad, gain_db={}))
    assert house.look() is None
    assert house.look() is None
    bag = "third-batch" if by == "a copy" else "first-batch.at-rest"
    words = f"{bag} in the place of first-batch: refused; the old one plays on. {bag}: There is no channel."
    assert house.swaps.alarms == (words,)
    assert house.said[-1] == words
    assert house.playing() == old
    assert waiting(house.performances) == []
    house.look(after_s=TOLD_S)
    assert len(house.swaps.alarms) == (0 if by == "a copy" else 1), "what was dropped lies there still"
    assert len(house.processes) == 1, "and is not checked again and again"


def test_a_dropped_bag_is_checked_once_it_is_whole_and_at_rest(house: House) -> None:
    there = house.drop(When.NOW)
    whole = (there / "data" / "arm.flac").read_bytes()
    (there / "data" / "arm.flac").write_bytes(whole[:100])
    house.look()
    house.look(after_s=SETTLED_S + 1)
    assert house.swaps.told[0]["state"] == "arriving"
    assert str(house.swaps.told[0]["why"]).startswith("It lacks ")
    assert list(house.swaps.alarms) == []
    house.look(after_s=STALE_S)
    assert "nothing more is copied" in house.swaps.alarms[0]
    assert house.said[-1] == house.swaps.alarms[0], "the event log says it too, once"
    (there / "data" / "arm.flac").write_bytes(whole)
    house.look()
    assert house.processes == []
    house.look(after_s=SETTLED_S)
    assert list(house.swaps.alarms) == []
    house.processes[0].answers(GOOD)
    house.look()
    (there / "data" / "more.txt").write_text("somebody goes on after all", encoding="utf-8")
    house.look()
    assert house.states() == ["arriving"], "what was checked is not what stands there now"
    assert house.swaps.held_back == frozenset()
    (there / "data" / "more.txt").unlink()
    house.look()
    house.look(after_s=SETTLED_S)
    house.processes[-1].answers(GOOD)
    house.look()
    assert house.look(PLAYING) is not None, "now means now"
    assert not there.exists()


def test_back_is_checked_like_any_other(house: House) -> None:
    old = house.playing()
    house.stage()
    for _ in range(2):
        house.look()
        house.processes[-1].answers(GOOD)
        house.look()
        house.look()
        if house.playing() != old:
            ask_back(house.performances, "first-batch", When.AT_REST, ASKED)
    assert house.processes[-1].arguments[-1].endswith(".first-batch.before")
    assert house.playing() == old


def test_other_hours_have_it_checked_anew(house: House) -> None:
    house.stage(When.AT_OPENING)
    house.look(PLAYING)
    house.processes[0].answers(GOOD)
    house.look(PLAYING)
    house.installation = load(house.installation.folder)
    house.look(PLAYING)
    assert house.states() == ["being checked"]
    assert len(house.processes) == 2


def test_what_was_taken_has_the_others_checked_anew_with_it(house: House) -> None:
    house.stage(When.AT_OPENING, "second-batch")
    house.stage(When.NOW, "first-batch")
    for _ in range(2):
        house.look(PLAYING)
        house.processes[-1].answers(GOOD)
    assert house.states() == ["ready", "being checked"], "the most urgent first"
    assert house.look(PLAYING) == SwapDone("first-batch", GOOD)
    assert house.states() == ["to be checked"]


def test_it_is_not_checked_while_the_planner_is_at_work_on_what_plays(house: House) -> None:
    house.stage()
    house.look(planning=True)
    assert house.states() == ["to be checked"]
    house.look()
    assert house.states() == ["being checked"]


def test_a_check_that_is_ended_from_outside_is_begun_anew_and_then_refused(house: House) -> None:
    house.stage()
    for _ in range(MOST_ATTEMPTS):
        house.look()
        house.processes[-1].fails(-9, "It ended with status -9: memory may be short. Ask again.")
    house.look()
    assert len(house.processes) == MOST_ATTEMPTS
    assert "memory may be short" in house.swaps.alarms[0]


def test_a_request_that_is_withdrawn_while_it_is_checked_ends_the_check(house: House) -> None:
    there = house.drop()
    house.look()
    house.look(after_s=SETTLED_S)
    shutil.rmtree(there)
    house.look()
    assert house.processes[0].ended
    assert house.states() == []


def test_a_disk_that_refuses_leaves_the_old_one(house: House, monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(performances: Path, candidate: Candidate) -> None:
        (performances / "first-batch").rename(performances / ".first-batch.before")  # half-way
        raise stopping("performances", "Permission is denied.", "Give this user access.")

    old = house.playing()
    house.drop()
    house.look()
    house.look(after_s=SETTLED_S)
    house.processes[0].answers(GOOD)
    house.look()
    monkeypatch.setattr(module, "take", refuse)
    assert house.look() is None
    assert "Permission is denied." in house.swaps.alarms[0]
    assert house.playing() == old


def test_what_the_control_surface_asks_for_is_copied_in_another_process(house: House) -> None:
    for name, back in (("first-batch", False), ("second-batch", True)):
        request = Request(when=When.NOW, bag="third-batch", asked=ASKED, back=back)
        house.swaps.ask(Candidate(name=name, request=request, path=house.stick))
    house.look()
    [stager] = house.processes
    assert stager.module == "residue.runtime.swap.stager"
    assert list(stager.arguments) == [str(house.installation.folder), str(house.stick), "first-batch", "now"]
    assert house.states() == ["being copied"]
    stager.fails(1, "data/arm.flac has changed.")
    house.look()
    assert "third-batch in the place of first-batch: refused; the old one plays on. data/arm" in house.said[0]
    assert "no earlier version of second-batch" in house.said[1]
    assert len(house.swaps.alarms) == 2


@pytest.mark.parametrize(
    ("name", "words"),
    [
        (
            "third-batch",
            "third-batch is complete in performances/, but replaces no performance. Rename it, such as to first-",
        ),
        (
            "frist-batch.now",
            'frist-batch.now: there is no performance "frist-batch" in the programme. Did you mean first-',
        ),
    ],
)
def test_a_bag_that_is_put_there_without_a_word_is_told_of_once_it_is_whole(
    house: House, name: str, words: str
) -> None:
    house.look(after_s=SETTLED_S)
    assert house.said == []
    there = house.performances / name
    shutil.copytree(house.stick, there)
    (there / "data" / "arm.flac").unlink()
    house.look()
    house.look(after_s=SETTLED_S)
    assert house.said == []
    shutil.copy(house.stick / "data" / "arm.flac", there / "data")
    for _ in range(4):
        house.look(after_s=SETTLED_S)
    assert [line[: len(words)] for line in house.said] == [words]
    assert house.processes == []
    assert there.exists()


def rot13(bag: Path) -> None:
    (bag / "bagit.txt").write_text("BagIt-Version: 1.0\nTag-File-Character-Encoding: rot13\n", encoding="utf-8")


def pipe(bag: Path) -> None:
    (bag / "bag-info.txt").unlink()
    os.mkfifo(bag / "bag-info.txt")


def shake(bag: Path) -> None:
    (bag / "manifest-shake_128.txt").write_text("00  data/left.wav\n", encoding="utf-8")


def huge(bag: Path) -> None:
    with (bag / "bag-info.txt").open("r+b") as file:
        file.truncate(6 << 30)


@pytest.mark.parametrize("spoil", [rot13, pipe, shake, huge])
def test_a_bad_bag_concerns_only_itself(house: House, spoil: Callable[[Path], None]) -> None:
    """Beside it another one is checked, and the status says what is wrong with the bad one."""
    spoil(house.drop())
    house.stage(name="second-batch")
    house.look()
    [planner] = house.processes
    assert planner.arguments[-1].startswith("second-batch=")
    house.look(after_s=STALE_S)
    [alarm] = house.swaps.alarms
    assert alarm.startswith("first-batch.at-rest in the place of first-batch: it is incomplete")


@pytest.mark.parametrize("ready", [False, True], ids=["while it is checked", "when it is ready"])
def test_a_swap_that_a_person_withdraws_is_forgotten_and_what_plays_plays_on(house: House, *, ready: bool) -> None:
    before = house.playing()
    house.stage()
    house.look(PLAYING)
    if ready:
        house.processes[-1].answers(GOOD)
        house.look(PLAYING)
        assert house.swaps.held_back == {"first-batch"}
    withdraw(house.performances, "first-batch")
    for _ in range(3):
        assert house.look(CLOSED) is None
    assert (house.states(), house.swaps.held_back) == ([], frozenset())
    assert house.playing() == before
