"""Bags that a person drops into performances/: which count, and when they are whole."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from residue.archive.swap.dropped import dropped, lacking, look
from residue.archive.swap.places import When
from residue.problems import ProblemError
from tests.archive.swap.evenings import NAME


def test_the_name_says_whose_place_and_when_and_the_most_urgent_comes_first(performances: Path) -> None:
    for name in (f"{NAME}.at-opening", f"{NAME}.now", "second-batch.at-rest", "fourth-batch", f".{NAME}.now", "x.now"):
        (performances / name).mkdir()
    found = [(one.name, one.request.when) for one in dropped(performances, [NAME, "second-batch"])]
    assert found == [(NAME, When.NOW), ("second-batch", When.AT_REST), (NAME, When.AT_OPENING)]


def test_a_bag_is_whole_once_all_that_it_lists_is_there(performances: Path, stick: Path) -> None:
    there = performances / f"{NAME}.now"
    there.mkdir()
    assert lacking(there) == "bagit.txt"
    for name in ("bagit.txt", "bag-info.txt"):
        shutil.copy(stick / name, there / name)
    assert lacking(there) == "tag files that can be read. It lists no payload in a manifest"
    shutil.copy(stick / "manifest-sha256.txt", there)
    assert lacking(there) == "data/arms.flac and 3 more files"
    shutil.copytree(stick / "data", there / "data")
    whole = (there / "data" / "arms.flac").read_bytes()
    (there / "data" / "arms.flac").unlink()
    assert lacking(there) == "data/arms.flac"
    (there / "data" / "arms.flac").write_bytes(whole[:-1000])
    assert lacking(there) == "1000 bytes"
    (there / "data" / "arms.flac").write_bytes(whole)
    assert lacking(there) is None


def test_every_write_to_a_bag_can_be_seen(performances: Path, stick: Path) -> None:
    there = performances / f"{NAME}.now"
    shutil.copytree(stick, there)
    seen = [look(there)]
    with (there / "data" / "beats.txt").open("a") as file:
        file.write("800\n")
    seen.append(look(there))
    (there / "data" / "more").mkdir()
    seen.append(look(there))
    (there / "bag-info.txt").unlink()
    seen.append(look(there))
    assert len(set(seen)) == 4
    assert look(there) == seen[-1]


def test_a_link_is_not_followed(performances: Path, stick: Path) -> None:
    link = performances / f"{NAME}.now"
    link.symlink_to(stick)
    with pytest.raises(ProblemError, match="It is a link"):
        lacking(link)
    assert look(link) == (), "what it leads to may be the whole disk"
