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


def test_a_slip_in_the_room_or_elsewhere_does_not_stop_a_swap(installation: Path) -> None:
    """The house that runs keeps what it had, and takes the performance; so does one that starts when it is mended."""
    bag = installation / "performances" / "second-batch"
    for file, slip in (("room.toml", "\ndevise = 3\n"), ("hours.toml", "\n[weekli]\n"), ("piece.toml", "\n[node.x]\n")):
        with (installation / file).open("a", encoding="utf-8") as text:
            text.write(slip)
        asked = swap(installation, bag, "--in-place-of", "first-batch")
        assert (asked.exit_code, "waits to take the place of first-batch" in asked.output) == (0, True), file
        assert swap(installation, "--withdraw").exit_code == 0


def test_without_a_programme_that_can_be_read_a_swap_says_what_is_wrong_with_it(installation: Path) -> None:
    (installation / "hours.toml").write_text("[programme\n", encoding="utf-8")
    asked = swap(installation, installation / "performances" / "second-batch", "--in-place-of", "first-batch")
    assert (asked.exit_code, "hours.toml: line 1" in asked.output) == (1, True)
