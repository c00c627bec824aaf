"""A folder of bags, verified several at a time."""

from __future__ import annotations

import os
import signal
from pathlib import Path

import pytest

from residue.archive import fixity_of_many
from residue.archive.fixity_of_many import BagVerdict, find_bags, verify_all
from residue.problems import ProblemError
from tests.archive.bags import sealed_bag


def test_every_bag_gets_one_line_and_the_spoilt_one_says_so(tmp_path: Path) -> None:
    for evening in ("monday", "tuesday", "deeper/wednesday"):
        folder = tmp_path / evening
        folder.mkdir(parents=True)
        sealed_bag(folder)
    (tmp_path / ".making-x" / "half").mkdir(parents=True)
    (tmp_path / "tuesday" / "first-batch" / "data" / "beats.txt").write_text("1\n", encoding="utf-8")
    (tmp_path / "tuesday" / "first-batch" / "data" / "extra.txt").write_text("1\n", encoding="utf-8")
    bags = find_bags(tmp_path)
    verdicts = {verdict.bag.parent.name: verdict for verdict in verify_all(bags, processes=2)}
    assert {name: verdict.valid for name, verdict in verdicts.items()} == {
        "monday": True,
        "tuesday": False,
        "wednesday": True,
    }
    assert str(verdicts["monday"]) == "first-batch: complete and unchanged"
    assert str(verdicts["tuesday"]).startswith("first-batch: NOT as it was sealed: ")
    assert str(verdicts["tuesday"]).endswith("more)")


def test_a_bag_within_a_bag_is_payload(tmp_path: Path) -> None:
    sealed_bag(tmp_path)
    (tmp_path / "first-batch" / "data" / "inner").mkdir()
    (tmp_path / "first-batch" / "data" / "inner" / "bagit.txt").write_text("", encoding="utf-8")
    assert find_bags(tmp_path) == [tmp_path / "first-batch"]


def test_a_folder_that_is_not_there_or_holds_no_bag_is_told(tmp_path: Path) -> None:
    with pytest.raises(ProblemError, match="no such folder"):
        find_bags(tmp_path / "nowhere")
    (tmp_path / "notes").mkdir()
    with pytest.raises(ProblemError, match="no bag in it"):
        find_bags(tmp_path)


def _die_of_the_large_one(bag: Path) -> BagVerdict:
    if bag.parent.name == "tuesday":
        os.kill(os.getpid(), signal.SIGKILL)
    return BagVerdict(bag)


def test_a_bag_whose_process_is_killed_is_not_known_and_costs_no_other(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As the kernel does where memory is short."""
    monkeypatch.setattr(fixity_of_many, "_verdict", _die_of_the_large_one)
    for evening in ("monday", "tuesday", "wednesday"):
        (tmp_path / evening).mkdir()
    bags = [sealed_bag(tmp_path / evening).path for evening in ("tuesday", "monday", "wednesday")]
    verdicts = {verdict.bag.parent.name: verdict for verdict in verify_all(bags, processes=1)}
    assert {name: verdict.valid for name, verdict in verdicts.items()} == {
        "monday": True,
        "tuesday": False,
        "wednesday": True,
    }
    assert not any(verdict.spoilt for verdict in verdicts.values())
    assert str(verdicts["tuesday"]).startswith("first-batch: not known: Its process was killed.")


@pytest.mark.parametrize("lost", ["bagit.txt", "manifest-sha256.txt"])
def test_a_bag_that_has_lost_a_tag_file_is_still_looked_for(tmp_path: Path, lost: str) -> None:
    sealed_bag(tmp_path)
    (tmp_path / "first-batch" / lost).unlink()
    (verdict,) = verify_all(find_bags(tmp_path), processes=1)
    assert verdict.bag == tmp_path / "first-batch"
    assert not verdict.valid
