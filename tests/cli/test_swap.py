from __future__ import annotations

from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from residue.cli import main
from tests.runtime import kitchen


@pytest.fixture
def installation(tmp_path: Path) -> Path:
    return kitchen.build(tmp_path, port=47_396, duration_s=0.2)


def swap(*words: object) -> Result:
    return CliRunner().invoke(main, ["swap", *map(str, words)])


def test_a_swap_that_waits_can_be_withdrawn(installation: Path, tmp_path: Path) -> None:
    bag = installation / "performances" / "second-batch"
    assert swap(installation, bag, "--in-place-of", "first-batch").exit_code == 0
    withdrawn = swap(installation, "--withdraw")
    assert withdrawn.output == "Nothing waits to take the place of first-batch any more.\n"
    assert sorted(path.name for path in (installation / "performances").iterdir()) == ["first-batch", "second-batch"]
    again = swap(installation, "--withdraw")
    assert (again.exit_code, "No swap waits." in again.output) == (1, True)


@pytest.mark.parametrize("words", [[], ["bag", "--back"], ["bag", "--withdraw"], ["--back", "--withdraw"]])
def test_one_wish_at_a_time(installation: Path, words: list[str]) -> None:
    found = swap(installation, *words)
    assert found.exit_code == 2
    assert "Name a BAG, or write --back for the one before, or --withdraw." in found.output
