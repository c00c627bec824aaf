"""Lines are broken for a terminal."""

from __future__ import annotations

import pytest

from residue.columns import folded


@pytest.mark.parametrize(
    ("line", "shown"),
    [
        ("short", "short"),
        ("one two three four", "one two\nthree\nfour"),
        ("an-unbreakable-word --and-an-option", "an-unbreakable-word\n--and-an-option"),
        ("one two three\n\nfour", "one two\nthree\n\nfour"),
        ("", ""),
    ],
)
def test_a_line_is_broken_between_words_only(line: str, shown: str) -> None:
    assert folded(line, 8) == shown


def test_a_command_to_copy_stays_one_line() -> None:
    assert folded("Then:\n  residue ingest a --into b", 8) == "Then:\n  residue ingest a --into b"


@pytest.mark.parametrize("before", ["- ", "    ", "warns  ", "  layers     ", "Fri 25 Dec  22:00  "])
def test_the_rest_of_a_line_stands_below_its_last_column(before: str) -> None:
    words = "Loops that accumulate sound: each plays its content and adds the input to it, round by round."
    first, *others = folded(before + words, 70).split("\n")
    assert first.startswith(before)
    assert others
    assert {len(line) - len(line.lstrip()) for line in others} == {len(before)}
    assert " ".join([first.removeprefix(before), *(line.strip() for line in others)]) == words
