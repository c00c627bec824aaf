"""Swapping performances: whatever is cut whenever, one whole performance stands in the place."""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest

from residue.archive.bag import payload_digest
from residue.archive.fixity import verify
from residue.archive.swap.asking import ask_back, stage
from residue.archive.swap.dropped import dropped
from residue.archive.swap.places import When, beside
from residue.archive.swap.taking import recover, take, waiting, withdraw
from residue.problems import ProblemError
from tests.archive.swap.evenings import ASKED, NAME, NEEDS, staged


class PowerCutError(BaseException):
    """Nothing catches it, as nothing catches a power cut."""


def take_first(performances: Path) -> None:
    take(performances, waiting(performances)[0])


def test_taking_puts_the_new_one_in_place_and_keeps_the_old_one(performances: Path, stick: Path) -> None:
    old, new = payload_digest(performances / NAME), payload_digest(stick)
    staged(performances, stick)
    take_first(performances)
    assert payload_digest(performances / NAME) == new
    assert payload_digest(beside(performances, NAME, "before")) == old
    assert waiting(performances) == []
    assert verify(performances / NAME) == []


def test_back_and_back_again(performances: Path, stick: Path) -> None:
    old, new = payload_digest(performances / NAME), payload_digest(stick)
    staged(performances, stick)
    take_first(performances)
    for expected in (old, new, old):
        ask_back(performances, NAME, When.AT_REST, ASKED)
        take_first(performances)
        assert payload_digest(performances / NAME) == expected
        assert verify(beside(performances, NAME, "before")) == []


def test_a_dropped_bag_is_taken_from_where_it_was_dropped(performances: Path, stick: Path) -> None:
    old, new = payload_digest(performances / NAME), payload_digest(stick)
    shutil.copytree(stick, performances / f"{NAME}.at-opening")
    [candidate] = dropped(performances, [NAME])
    assert candidate.request.when is When.AT_OPENING
    take(performances, candidate)
    assert payload_digest(performances / NAME) == new
    assert payload_digest(beside(performances, NAME, "before")) == old
    assert list(dropped(performances, [NAME])) == []


def test_what_has_gone_cannot_be_taken(performances: Path, stick: Path) -> None:
    staged(performances, stick)
    [candidate] = waiting(performances)
    withdraw(performances, NAME)
    with pytest.raises(ProblemError, match="third-batch is no longer there"):
        take(performances, candidate)
    assert verify(performances / NAME) == []


class Power:
    """Goes after so many writes, renames, removals, changes of rights and flushes to the disk."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch, steps: int) -> None:
        self.left = steps
        for owner, name in (
            (Path, "rename"),
            (Path, "replace"),
            (Path, "unlink"),
            (Path, "mkdir"),
            (Path, "chmod"),
            (Path, "write_bytes"),
            (os, "fsync"),
            (shutil, "copyfile"),
            (shutil, "rmtree"),
        ):
            monkeypatch.setattr(owner, name, self._counted(getattr(owner, name)))

    def _counted(self, real: Callable[..., object]) -> Callable[..., object]:
        def step(*given: object, **named: object) -> object:
            if self.left <= 0:
                raise PowerCutError
            self.left -= 1
            return real(*given, **named)

        return step


WORK = {
    "stage": lambda performances, stick: staged(performances, stick),
    "take": lambda performances, stick: take_first(performances),
    "take what was dropped": lambda performances, stick: take(performances, next(dropped(performances, [NAME]))),
    "ask back": lambda performances, stick: ask_back(performances, NAME, When.NOW, ASKED),
    "take back": lambda performances, stick: take_first(performances),
}


def made_ready(work: str, performances: Path, stick: Path) -> None:
    if "back" in work:
        staged(performances, stick)
        take_first(performances)
    if work == "take":
        staged(performances, stick)
    if work == "take what was dropped":
        shutil.copytree(stick, performances / f"{NAME}.now")
    if work == "take back":
        ask_back(performances, NAME, When.NOW, ASKED)


@pytest.mark.parametrize("work", WORK)
def test_after_a_power_cut_at_any_step_one_whole_performance_stands_there(
    performances: Path, stick: Path, work: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    made_ready(work, performances, stick)
    ready = performances.parent / "ready"
    performances.rename(ready)
    old, other = payload_digest(ready / NAME), payload_digest(stick)
    either = {old} if work in ("stage", "ask back") else {old, other, payload_digest(first_there(ready))}
    steps, cut = 0, True
    while cut:
        shutil.rmtree(performances, ignore_errors=True)
        shutil.copytree(ready, performances)
        with monkeypatch.context() as patching:
            power = Power(patching, steps)
            try:
                WORK[work](performances, stick)
                cut = False
            except PowerCutError:
                power.left = 0
        recover(performances)
        assert payload_digest(performances / NAME) in either, steps
        assert verify(performances / NAME) == [], steps
        assert [path.name for path in performances.glob(".*") if "leaving" in path.name or "making" in path.name] == []
        assert recover(performances) == [], "the second time there is nothing to do"
        if steps % 6 == 0:  # and the work can simply be done again, or what follows it
            staged(performances, stick)
            take_first(performances)
            assert payload_digest(performances / NAME) == other
        steps += 1
    assert steps > 3


def first_there(performances: Path) -> Path:
    """The one before if there is one, else what plays."""
    before = beside(performances, NAME, "before")
    return before if before.exists() else performances / NAME


def test_a_copy_that_is_being_made_is_left_alone(performances: Path, stick: Path) -> None:
    seen: list[int] = []

    def looking(what: str, done: int, total: int) -> None:
        recover(performances)  # a daemon starts while somebody copies
        seen.append(len(list(performances.glob(".making-*"))))

    stage(stick, performances, NAME, When.NOW, NEEDS, ASKED, looking)
    assert max(seen) == 1
    assert payload_digest(beside(performances, NAME, "waiting")) == payload_digest(stick)


def test_a_folder_without_performances_has_nothing_to_recover(tmp_path: Path) -> None:
    assert recover(tmp_path / "performances") == []
