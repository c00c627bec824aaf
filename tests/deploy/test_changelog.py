"""The change log as the policy for versions in DEVELOPERS.md asks for it."""

import re
from datetime import date
from itertools import pairwise
from pathlib import Path

import residue

HEADS = re.findall(r"^## (.+)$", (Path(__file__).parents[2] / "CHANGELOG.md").read_text(encoding="utf-8"), re.MULTILINE)


def test_what_is_not_released_stands_first_and_each_release_has_its_date() -> None:
    assert HEADS[0] == "Unreleased"
    releases = [re.fullmatch(r"(\d+)\.(\d+)\.(\d+) · (\d{4}-\d\d-\d\d)", head) for head in HEADS[1:]]
    numbers = [(tuple(map(int, found.groups()[:3])), date.fromisoformat(found[4])) for found in releases if found]
    assert len(numbers) == len(HEADS) - 1 > 0
    assert all(later > earlier and on >= before for (later, on), (earlier, before) in pairwise(numbers))


def test_the_program_has_the_version_of_the_last_release() -> None:
    assert HEADS[1].startswith(f"{residue.__version__} · ")
