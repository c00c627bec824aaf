from __future__ import annotations

from pathlib import Path

from hypothesis import given
from hypothesis import strategies as st

from residue.problems import ProblemError, stopping
from residue.schedule.watched import SETTLED_S, LoadedFiles, Refused, Watched

WHOLE = "open = 10\nclose = 18\n# end\n"


def whole(path: Path) -> str:
    text = path.read_text() if path.exists() else ""
    if not text.endswith("# end\n"):
        raise stopping(path.name, "The file is not whole.", "Save it again.")
    return text


def watching(path: Path) -> Watched[str]:
    return Watched([path], lambda: whole(path))


def outcomes(watched: Watched[str], begin_s: float, seconds: int) -> list[LoadedFiles[str] | Refused]:
    found = (watched.look(begin_s + second) for second in range(seconds))
    return [outcome for outcome in found if outcome is not None]


def test_what_does_not_change_is_read_once_by_whoever_started() -> None:
    assert outcomes(watching(Path(__file__)), 0, 10) == []


def test_a_saved_file_is_taken_once_after_it_has_come_to_rest(tmp_path: Path) -> None:
    path = tmp_path / "hours.toml"
    path.write_text(WHOLE)
    watched = watching(path)
    path.write_text(WHOLE.replace("18", "20"))
    assert watched.look(0) is None
    assert watched.look(SETTLED_S - 0.1) is None
    assert watched.look(SETTLED_S) == LoadedFiles(WHOLE.replace("18", "20"))
    assert outcomes(watched, SETTLED_S + 1, 10) == []


def test_a_file_put_in_its_place_by_a_rename_is_taken(tmp_path: Path) -> None:
    path, beside = tmp_path / "hours.toml", tmp_path / "hours.toml~"
    path.write_text(WHOLE)
    watched = watching(path)
    beside.write_text(WHOLE)
    beside.rename(path)
    assert outcomes(watched, 0, 10) == [LoadedFiles(WHOLE)]


def test_a_broken_file_is_refused_once_and_taken_when_mended(tmp_path: Path) -> None:
    path = tmp_path / "hours.toml"
    path.write_text(WHOLE)
    watched = watching(path)
    path.write_text("open = 10\n")
    [refused] = outcomes(watched, 0, 20)
    assert isinstance(refused, Refused)
    assert str(refused.error) == "hours.toml: The file is not whole. Save it again."
    path.write_text(WHOLE)
    assert outcomes(watched, 20, 20) == [LoadedFiles(WHOLE)]


def test_a_deleted_file_is_told(tmp_path: Path) -> None:
    path = tmp_path / "hours.toml"
    path.write_text(WHOLE)
    watched = watching(path)
    path.unlink()
    [refused] = outcomes(watched, 0, 10)
    assert isinstance(refused, Refused)


def test_a_file_that_is_written_while_it_is_read_is_not_taken(tmp_path: Path) -> None:
    path = tmp_path / "hours.toml"
    path.write_text(WHOLE)
    reads: list[str] = []

    def read() -> str:
        text = whole(path)
        reads.append(text)
        if len(reads) == 1:
            path.write_text("close = 1\n" + WHOLE)
        return text

    watched = Watched([path], read)
    path.write_text("open = 1\n" + WHOLE)
    assert outcomes(watched, 0, 12) == [LoadedFiles("close = 1\n" + WHOLE)]


@given(st.lists(st.tuples(st.integers(1, len(WHOLE)), st.floats(0, 1.9)), min_size=1, max_size=12))
def test_a_file_written_in_pieces_is_never_taken_in_part(pieces: list[tuple[int, float]]) -> None:
    """Whatever the pieces, as long as the program that writes does not pause for longer than the file must rest."""
    import tempfile

    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "hours.toml"
        path.write_text(WHOLE)

        def read() -> str:
            return path.read_text()

        watched = Watched([path], read)
        now_s, written = 0.0, 0
        text = "new = 1\n" + WHOLE
        path.write_text("")
        for length, pause_s in pieces:
            assert watched.look(now_s) is None
            written = min(len(text), written + length)
            path.write_text(text[:written])
            assert watched.look(now_s) is None
            now_s += pause_s
        path.write_text(text)
        assert outcomes(watched, now_s, 10) == [LoadedFiles(text)]


def test_an_error_of_another_kind_is_not_hidden(tmp_path: Path) -> None:
    def read() -> str:
        raise ProblemError([])

    path = tmp_path / "hours.toml"
    watched = Watched([path], read)
    path.write_text(WHOLE)
    assert [type(outcome) for outcome in outcomes(watched, 0, 10)] == [Refused]
