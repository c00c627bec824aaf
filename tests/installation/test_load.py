"""The files of an installation are read, or it is said why not."""

from __future__ import annotations

from pathlib import Path

import pytest

from residue.installation.load import load, read_hours
from residue.problems import ProblemError
from tests.runtime import kitchen


def test_a_folder_that_may_not_be_looked_into_is_told_in_words(tmp_path: Path) -> None:
    """As the shared folder of the curator to a user of another group. A name that is too long fails for root, too."""
    hours, answers, findings = read_hours(tmp_path / ("a" * 300), {})
    assert (hours, answers) == (None, None)
    assert [one.where for one in findings] == ["hours.toml", "hours.ics"]
    assert "The file cannot be read: File name too long." in str(findings[1])


def test_a_folder_of_the_hours_without_hours_says_how_they_come_there(tmp_path: Path) -> None:
    here, shared = kitchen.build(tmp_path, port=47_397, duration_s=0.1), tmp_path / "curator"
    with (here / "room.toml").open("a", encoding="utf-8") as text:
        text.write(f'\n[hours_folder]\npath = "{shared}"\n')
    copied = f"sudo residue share {here} --install --folder-only"
    with pytest.raises(ProblemError, match=f"room.toml: hours_folder.path: .*no hours.toml.*{copied}"):
        load(here)
    (here / "hours.toml").unlink()
    shared.mkdir()
    with pytest.raises(ProblemError, match=f"Put a hours.toml there, or leave .hours_folder. out .*{here}"):
        load(here)
