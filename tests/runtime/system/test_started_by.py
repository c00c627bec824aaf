from __future__ import annotations

from pathlib import Path

from residue.runtime.system.folders import ended_file
from residue.runtime.system.started_by import by_person, note_end


def test_a_run_that_was_ended_on_purpose_is_started_again_by_a_person_once(tmp_path: Path) -> None:
    note = ended_file(tmp_path / "state", {"RUNTIME_DIRECTORY": str(tmp_path / "run")})
    assert not by_person(note, terminal=False), "the first start since the machine's"
    note_end(note)
    assert by_person(note, terminal=False)
    assert not by_person(note, terminal=False), "it was killed since"


def test_the_note_is_of_one_state_folder(tmp_path: Path) -> None:
    places = {"XDG_RUNTIME_DIR": str(tmp_path / "run")}
    note_end(ended_file(tmp_path / "bakery", places))
    assert not by_person(ended_file(tmp_path / "mill", places), terminal=False)
    assert by_person(ended_file(tmp_path / "bakery", places), terminal=False)


def test_where_nothing_can_be_noted_only_a_terminal_tells(tmp_path: Path) -> None:
    (tmp_path / "run").write_text("")
    note = ended_file(tmp_path, {"RUNTIME_DIRECTORY": str(tmp_path / "run")})
    for unusable in (None, note):
        note_end(unusable)
        assert not by_person(unusable, terminal=False)
        assert by_person(unusable, terminal=True)


def test_a_start_at_a_terminal_uses_the_note_up(tmp_path: Path) -> None:
    note = tmp_path / "ended"
    note_end(note)
    assert by_person(note, terminal=True)
    assert not by_person(note, terminal=False)
