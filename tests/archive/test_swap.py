"""Swapping performances: whatever is cut whenever, one whole performance stands in the place."""

from __future__ import annotations

import errno
import os
import shutil
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

import pytest

from residue.archive import swap
from residue.archive.bag import payload_digest, seal
from residue.archive.fixity import verify
from residue.archive.swap import When, back, place_for, recover, stage, take, waiting, withdraw
from residue.mapping.signals import Kind
from residue.problems import ProblemError
from tests.archive.bags import SEALED_ON, sealed_bag

NEEDS = {"forearm_left": {Kind.FAST}, "beats": {Kind.EVENTS}}
NAME = "first-batch"


class PowerCutError(BaseException):
    """Nothing catches it, as nothing catches a power cut."""


@pytest.fixture
def performances(tmp_path: Path) -> Path:
    """An installation's performances/ with the old bag, and another bag beside it."""
    (tmp_path / "installation").mkdir()
    sealed_bag(tmp_path).path.rename(tmp_path / "installation" / NAME)
    (tmp_path / "recorded" / "beats.txt").write_text("900\n910\n", encoding="utf-8")
    seal(tmp_path / "recorded", tmp_path / "stick" / "third-batch", {}, SEALED_ON)
    return tmp_path / "installation"


@pytest.fixture
def new_bag(performances: Path) -> Path:
    return performances.parent / "stick" / "third-batch"


def staged(performances: Path, new_bag: Path, when: When = When.AT_REST) -> None:
    stage(new_bag, performances, NAME, when, NEEDS)


def test_a_staged_performance_waits_and_what_plays_stays(performances: Path, new_bag: Path) -> None:
    old = payload_digest(performances / NAME)
    staged(performances, new_bag, When.AT_OPENING)
    (asked,) = waiting(performances)
    assert (asked.name, asked.when, asked.digest) == (NAME, When.AT_OPENING, payload_digest(new_bag))
    assert payload_digest(performances / NAME) == old
    assert verify(performances / swap.WAITING / NAME) == []


def test_taking_puts_the_new_one_in_place_and_keeps_the_old_one(performances: Path, new_bag: Path) -> None:
    old, new = payload_digest(performances / NAME), payload_digest(new_bag)
    staged(performances, new_bag)
    take(performances, NAME)
    assert payload_digest(performances / NAME) == new
    assert payload_digest(performances / swap.BEFORE / NAME) == old
    assert waiting(performances) == []
    assert verify(performances / NAME) == []


def test_back_and_back_again(performances: Path, new_bag: Path) -> None:
    old, new = payload_digest(performances / NAME), payload_digest(new_bag)
    staged(performances, new_bag)
    take(performances, NAME)
    for expected in (old, new, old):
        back(performances, NAME)
        assert payload_digest(performances / NAME) == expected


def test_a_second_request_takes_the_place_of_the_first(performances: Path, new_bag: Path) -> None:
    staged(performances, new_bag, When.AT_REST)
    staged(performances, new_bag, When.NOW)
    assert [asked.when for asked in waiting(performances)] == [When.NOW]
    withdraw(performances, NAME)
    assert waiting(performances) == []


def spoil(bag: Path) -> None:
    file = bag / "data" / "arms.flac"
    content = bytearray(file.read_bytes())
    content[-1] ^= 1
    file.write_bytes(content)


def test_a_spoilt_bag_and_one_that_lacks_a_channel_never_get_to_wait(performances: Path, new_bag: Path) -> None:
    with pytest.raises(ProblemError, match="no channel"):
        stage(new_bag, performances, NAME, When.NOW, {"forehead": {Kind.SLOW}})
    spoil(new_bag)
    with pytest.raises(ProblemError, match="changed"):
        staged(performances, new_bag)
    assert waiting(performances) == []
    assert not (performances / swap.WAITING / NAME).exists()


def test_a_full_disk_while_copying_leaves_what_plays(
    performances: Path, new_bag: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*_: object, **__: object) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(shutil, "copytree", full)
    with pytest.raises(ProblemError, match="disk is full"):
        staged(performances, new_bag)
    assert list((performances / swap.WAITING).iterdir()) == []
    assert verify(performances / NAME) == []


def cut_after(monkeypatch: pytest.MonkeyPatch, steps: int) -> None:
    """Let the power go after so many renames, removals and flushes."""
    left = [steps]

    def counted(real: Callable[..., object]) -> Callable[..., object]:
        def step(*given: object, **named: object) -> object:
            if left[0] == 0:
                raise PowerCutError
            left[0] -= 1
            return real(*given, **named)

        return step

    for owner, name in (
        (Path, "rename"),
        (Path, "replace"),
        (Path, "unlink"),
        (os, "fsync"),
        (shutil, "rmtree"),
    ):
        monkeypatch.setattr(owner, name, counted(getattr(owner, name)))


WORK = {
    "stage": lambda performances, new_bag: staged(performances, new_bag),
    "take": lambda performances, new_bag: take(performances, NAME),
    "back": lambda performances, new_bag: back(performances, NAME),
}


@pytest.mark.parametrize("work", WORK)
@pytest.mark.parametrize("steps", range(16))
def test_after_a_power_cut_at_any_step_one_whole_performance_stands_there(
    performances: Path, new_bag: Path, work: str, steps: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    old, new = payload_digest(performances / NAME), payload_digest(new_bag)
    if work != "stage":
        staged(performances, new_bag)
    if work == "back":
        take(performances, NAME)
        staged(performances, new_bag)  # something may wait while a person goes back
    with monkeypatch.context() as power:
        cut_after(power, steps)
        with suppress(PowerCutError):
            WORK[work](performances, new_bag)
    recover(performances)
    assert payload_digest(performances / NAME) in ({old} if work == "stage" else {old, new})
    assert verify(performances / NAME) == []
    assert not list((performances / swap.LEAVING).glob("*"))
    assert recover(performances) == []  # the second time there is nothing to do
    # And the work can simply be done again, or what follows it.
    staged(performances, new_bag)
    take(performances, NAME)
    assert payload_digest(performances / NAME) == new


def test_a_request_without_its_bag_and_a_spoilt_request_do_not_wait(performances: Path, new_bag: Path) -> None:
    staged(performances, new_bag)
    (performances / swap.WAITING / "second-batch.json").write_bytes(b"{")
    assert [asked.name for asked in waiting(performances)] == [NAME]
    (performances / swap.WAITING / NAME).rename(performances / swap.WAITING / "other")
    assert waiting(performances) == []
    with pytest.raises(ProblemError, match="Nothing waits"):
        take(performances, NAME)


def test_back_without_a_performance_before_is_told(performances: Path) -> None:
    with pytest.raises(ProblemError, match="no performance before"):
        back(performances, NAME)


@pytest.mark.parametrize(
    ("bag", "programme", "asked", "place"),
    [
        pytest.param("third", ["first"], None, "first", id="the only one"),
        pytest.param("first", ["first", "second"], None, "first", id="its namesake"),
        pytest.param("third", ["first", "second"], "second", "second", id="the one asked for"),
        pytest.param("first", ["first", "second", "first"], "second", "second", id="asked for beats namesake"),
    ],
)
def test_whose_place_a_bag_takes(bag: str, programme: list[str], asked: str | None, place: str) -> None:
    assert place_for(Path(bag), programme, asked) == place


def test_an_unclear_place_is_told_with_the_names() -> None:
    with pytest.raises(ProblemError, match="first, second"):
        place_for(Path("third"), ["first", "second"])
    with pytest.raises(ProblemError, match="Did you mean second"):
        place_for(Path("third"), ["first", "second"], "secnd")
