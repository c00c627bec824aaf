"""What gets to wait for another's place, and what does not."""

from __future__ import annotations

import errno
import shutil
from pathlib import Path

import pytest

from residue.archive.bag import payload_digest
from residue.archive.fixity import verify
from residue.archive.swap.asking import ask_back, place_for, place_to_go_back, place_to_withdraw, stage
from residue.archive.swap.places import When, beside
from residue.archive.swap.taking import recover, take, waiting, withdraw
from residue.mapping.signals import Kind
from residue.problems import ProblemError
from tests.archive.swap.evenings import ASKED, NAME, spoil, staged


def test_a_staged_performance_waits_and_what_plays_stays(performances: Path, stick: Path) -> None:
    old = payload_digest(performances / NAME)
    staged(performances, stick, When.AT_OPENING)
    [asked] = waiting(performances)
    assert (asked.name, asked.request.when, asked.request.bag) == (NAME, When.AT_OPENING, "third-batch")
    assert payload_digest(asked.path) == payload_digest(stick)
    assert payload_digest(performances / NAME) == old


def test_a_second_request_takes_the_place_of_the_first(performances: Path, stick: Path) -> None:
    staged(performances, stick, When.AT_REST)
    staged(performances, stick, When.NOW)
    assert [asked.request.when for asked in waiting(performances)] == [When.NOW]
    withdraw(performances, NAME)
    assert waiting(performances) == []


def test_a_spoilt_bag_and_one_that_lacks_a_channel_never_get_to_wait(performances: Path, stick: Path) -> None:
    with pytest.raises(ProblemError, match="no channel"):
        stage(stick, performances, NAME, When.NOW, {"forehead": {Kind.SLOW}}, ASKED)
    spoil(stick)
    with pytest.raises(ProblemError, match="changed"):
        staged(performances, stick)
    assert waiting(performances) == []
    assert not beside(performances, NAME, "waiting").exists()


def test_a_full_disk_while_copying_leaves_what_plays(
    performances: Path, stick: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*_: object, **__: object) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(shutil, "copytree", full)
    with pytest.raises(ProblemError, match="disk is full"):
        staged(performances, stick)
    assert [path.name for path in performances.iterdir()] == [NAME]
    assert verify(performances / NAME) == []


def test_whoever_may_change_the_folder_may_change_the_copy(performances: Path, stick: Path) -> None:
    performances.chmod(0o2775)
    staged(performances, stick)
    copy = beside(performances, NAME, "waiting")
    assert {oct(path.stat().st_mode & 0o777) for path in copy.rglob("*") if path.is_dir()} == {"0o775"}
    assert {oct(path.stat().st_mode & 0o777) for path in copy.rglob("*") if path.is_file()} == {"0o664"}


def test_a_request_without_its_bag_and_a_spoilt_request_do_not_wait(performances: Path, stick: Path) -> None:
    staged(performances, stick)
    (performances / ".second-batch.swap").write_bytes(b"{")
    assert [asked.name for asked in waiting(performances)] == [NAME]
    assert [finding.where for finding in recover(performances)] == ["performances/second-batch"]
    assert [asked.name for asked in waiting(performances)] == [NAME]
    beside(performances, NAME, "waiting").rename(performances / "other")
    assert waiting(performances) == []


def test_back_without_a_performance_before_is_told(performances: Path) -> None:
    with pytest.raises(ProblemError, match="no earlier version"):
        ask_back(performances, NAME, When.NOW, ASKED)


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


def test_which_performance_goes_back(performances: Path, stick: Path) -> None:
    with pytest.raises(ProblemError, match="No performance of the programme has an earlier version"):
        place_to_go_back(performances, [NAME])
    staged(performances, stick)
    take(performances, waiting(performances)[0])
    assert place_to_go_back(performances, ["second-batch", NAME]) == NAME
    assert place_to_go_back(performances, [NAME], NAME) == NAME
    with pytest.raises(ProblemError, match=f"--in-place-of and one of: {NAME}"):
        place_to_go_back(performances, [NAME, "second-batch"], "second-batch")


def test_which_swap_is_withdrawn(performances: Path, stick: Path) -> None:
    with pytest.raises(ProblemError, match="No swap waits"):
        place_to_withdraw(performances, [NAME])
    staged(performances, stick)
    assert place_to_withdraw(performances, ["second-batch", NAME]) == NAME
    assert place_to_withdraw(performances, [NAME], NAME) == NAME
    with pytest.raises(ProblemError, match="No swap waits for the place of second-batch"):
        place_to_withdraw(performances, [NAME, "second-batch"], "second-batch")
