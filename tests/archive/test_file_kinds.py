from pathlib import Path

import pytest

from residue.archive.file_kinds import FileKind, endings_of, kind_of_file


def test_an_ending_is_of_one_kind() -> None:
    endings = [ending for kind in FileKind for ending in kind.value]
    assert len(endings) == len(set(endings))


@pytest.mark.parametrize(
    ("name", "kind"),
    [
        ("MIXPRE-001.WAV", FileKind.SOUND),
        ("night.2026.edf", FileKind.EDF),
        ("glove.csv", FileKind.TABLE),
        ("head.vhdr", FileKind.EEG),
        ("run.FIT", FileKind.ACTIVITY),
        ("evening.mp4", None),  # a film beside the recordings is none of them
        ("glove", None),
        ("glove.wav.part", None),
    ],
)
def test_a_file_is_known_by_its_ending(name: str, kind: FileKind | None) -> None:
    assert kind_of_file(Path(name)) is kind


def test_a_person_reads_all_endings_of_some_kinds() -> None:
    assert endings_of((FileKind.WFDB, FileKind.EDF)) == ".bdf, .edf, .hea"
