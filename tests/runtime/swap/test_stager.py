"""What may be asked for at the control surface: nothing leaves the installation folder, and it is copied aside."""

from __future__ import annotations

import re
from datetime import UTC, datetime
from pathlib import Path

import pytest

from residue.archive.bag import payload_digest
from residue.archive.swap.places import Candidate, Request, When
from residue.archive.swap.taking import waiting
from residue.installation.load import Installation, load
from residue.runtime.house.osc_handlers import SwapOrder
from residue.runtime.swap.stager import checked
from tests.runtime import kitchen
from tests.runtime.system.test_child_process import ended

STAGER = "residue.runtime.swap.stager"
AT = datetime(2026, 3, 2, 9, tzinfo=UTC)


@pytest.fixture(scope="module")
def installation(tmp_path_factory: pytest.TempPathFactory) -> Installation:
    folder = tmp_path_factory.mktemp("house")
    built = kitchen.build(folder, 47_399, duration_s=0.1)
    (built / "incoming" / "third-batch").mkdir(parents=True)
    (built / "incoming" / "out").symlink_to(folder)
    (folder / "outside").mkdir()
    return load(built)


@pytest.mark.parametrize("bag", ["incoming/third-batch", "performances/../incoming/third-batch"])
def test_a_bag_within_the_installation_folder_may_be_named(installation: Installation, bag: str) -> None:
    there = installation.folder.resolve() / "incoming" / "third-batch"
    wish = SwapOrder(performance="first-batch", when="now", bag=bag)
    request = Request(when=When.NOW, bag="third-batch", asked=AT)
    assert checked(wish, installation, AT) == Candidate(name="first-batch", request=request, path=there)


def test_the_one_before_may_be_asked_for(installation: Installation) -> None:
    candidate = checked(SwapOrder(performance="first-batch", when="at-rest"), installation, AT)
    assert candidate.request == Request(when=When.AT_REST, bag="the one before first-batch", asked=AT, back=True)
    assert candidate.path == installation.folder.resolve() / "performances" / ".first-batch.before"


@pytest.mark.parametrize(
    ("wish", "words"),
    [
        (SwapOrder(performance="first-batch", when="now", bag="../outside"), "leaves the installation folder"),
        (
            SwapOrder(performance="first-batch", when="now", bag="incoming/out/outside"),
            "leaves the installation folder",
        ),
        (SwapOrder(performance="first-batch", when="now", bag="/etc"), "leaves the installation folder"),
        (SwapOrder(performance="first-batch", when="now", bag="."), "leaves the installation folder"),
        (
            SwapOrder(performance="first-batch", when="now", bag="incoming/nothing"),
            'There is no folder "incoming/nothing"',
        ),
        (SwapOrder(performance="first-batch", when="now", bag="x" * 300), "There is no folder"),
        (SwapOrder(performance="first-btch", when="now", bag="incoming/third-batch"), "Did you mean first-batch?"),
        (SwapOrder(performance="../first-batch", when="now"), 'There is no performance "../first-batch"'),
        (SwapOrder(performance="first-batch", when="soon"), "Write one of: now, at-rest, at-opening."),
    ],
    ids=[
        "up",
        "through a link",
        "absolute",
        "itself",
        "nothing there",
        "too long a name",
        "no such performance",
        "no name",
        "no moment",
    ],
)
def test_what_cannot_be_is_answered_at_once(installation: Installation, wish: SwapOrder, words: str) -> None:
    with pytest.raises(ValueError, match=re.escape(words)):
        checked(wish, installation, AT)


def test_a_bag_is_copied_to_where_it_waits_or_it_says_in_one_message_why_not(tmp_path: Path) -> None:
    installation = kitchen.build(tmp_path, 47_399, duration_s=0.2)
    performances, bag = installation / "performances", installation / "performances" / "second-batch"
    done = ended(STAGER, [str(installation), str(bag), "first-batch", "at-opening"])
    assert done.status == 0
    done.end()
    [candidate] = waiting(performances)
    assert (candidate.name, candidate.request.when) == ("first-batch", When.AT_OPENING)
    assert payload_digest(candidate.path) == payload_digest(bag)

    (bag / "data" / "arm.flac").unlink()
    refused = ended(STAGER, [str(installation), str(bag), "first-batch", "now"])
    assert refused.status == 1
    assert refused.complaint.startswith("second-batch: data/arm.flac is missing. Copy the bag again")
    refused.end()
    assert [one.request.when for one in waiting(performances)] == [When.AT_OPENING], "what waits goes on waiting"
