"""The names that a message offers for one that is not known."""

from __future__ import annotations

import os
import pickle

import pytest

from residue.problems import Finding, Severity, nearest, stopping, storable, without_place


@pytest.mark.parametrize(
    ("name", "names", "offered"),
    [
        ("limt_db", ["limit_db", "limit_dbfs", "window_s"], "Did you mean limit_db?"),
        ("ekg", ["acc", "ecg", "eda", "eeg", "eog"], "Did you mean ecg, eeg or eog?"),
        ("ekg", ["ecg", "mmg", "eeg"], "Did you mean ecg or eeg?"),
        ("effort", ["form", "arm"], "Write one of: arm, form."),
        ("x", [], "There is none to choose from."),
    ],
)
def test_the_nearest_names_are_offered_or_else_all(name: str, names: list[str], offered: str) -> None:
    """ekg is as near to ecg as to eeg and eog; effort is not near to form, which shares three letters of ten."""
    assert nearest(name, names) == offered


def test_a_problem_comes_from_another_process_as_it_was_raised() -> None:
    problem = stopping("piece.toml: node.arm", "It has no input.", "Name one.")
    again = pickle.loads(pickle.dumps(problem))
    assert (again.findings, str(again)) == (problem.findings, str(problem))


@pytest.mark.parametrize("code", [0x2028, 0x2029, *range(0x202A, 0x202F), *range(0x2066, 0x206A)])
def test_a_name_does_not_turn_the_words_after_it(code: int) -> None:
    """UAX #9, 2.1 to 2.4: explicit embeddings, overrides and isolates; and the breaks of lines and paragraphs."""
    assert storable(f"evening{chr(code)}gpj.exe") == f"evening\\u{code:04x}gpj.exe"


def test_text_from_right_to_left_stays_as_it_is() -> None:
    """With a mark of direction, and a joiner as Persian writes it, neither of which reaches beyond its place."""
    text = "\u05dc\u05d7\u05dd\u200f (1), \u0646\u0627\u0646\u200c\u0647\u0627"
    assert storable(text) == text


def test_a_name_from_a_disk_can_be_stored_whatever_its_bytes_are() -> None:
    """Python gives bytes of names that are no UTF-8 as single surrogates, which no file can hold (PEP 383)."""
    assert storable(os.fsdecode(b"Br\xc3\xb6t\xff\x1bchen")) == "Bröt\\xff\\u001bchen"
    assert storable("Bröt-chen, um 4") == "Bröt-chen, um 4"


def test_the_name_of_a_file_makes_no_second_line_of_a_finding() -> None:
    """Any byte but 0 and / may stand in a name. Source: POSIX.1-2017, 3.170 (Filename)."""
    found = Finding(Severity.WARNS, "bag", "data/a\n\x1b[2Jbag: complete is not listed.", "Remove it.")
    assert str(found) == r"bag: data/a\u000a\u001b[2Jbag: complete is not listed. Remove it."


def test_without_their_places_findings_are_one_text() -> None:
    findings = [
        Finding(Severity.STOPS, "arm.flac", "It is cut short.", "Copy it again."),
        Finding(Severity.NOTES, "heart", "It ends early.", ""),
    ]
    assert without_place(findings) == "It is cut short. Copy it again. It ends early."
