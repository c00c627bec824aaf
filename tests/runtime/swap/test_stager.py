"""What may be asked for at the control surface: nothing leaves the installation folder."""

from __future__ import annotations

import re
from datetime import UTC, datetime

import pytest

from residue.archive.swap.candidate import When
from residue.installation.load import Installation, load
from residue.runtime.house.osc_handlers import SwapOrder
from residue.runtime.swap.stager import Asked, checked
from tests.runtime import kitchen

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
    assert checked(SwapOrder(performance="first-batch", when="now", bag=bag), installation, AT) == Asked(
        "first-batch", When.NOW, there, AT
    )
    assert checked(SwapOrder(performance="first-batch", when="at-rest"), installation, AT).bag is None


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
