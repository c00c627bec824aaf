"""The files of an installation are read, or it is said why not."""

from __future__ import annotations

from pathlib import Path

from residue.installation.load import read_hours


def test_a_folder_that_may_not_be_looked_into_is_told_in_words(tmp_path: Path) -> None:
    """As the shared folder of the curator to a user of another group. A name that is too long fails for root, too."""
    hours, answers, findings = read_hours(tmp_path / ("a" * 300), {})
    assert (hours, answers) == (None, None)
    assert [one.where for one in findings] == ["hours.toml", "hours.ics"]
    assert "The file cannot be read: File name too long." in str(findings[1])
