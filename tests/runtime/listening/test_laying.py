"""Checkpoints of all places beside the sound: of the version that is heard, and only what is missing."""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial
from pathlib import Path

import pytest

from residue.mapping.playback import Playback
from residue.mapping.signals import frame_at
from residue.runtime.listening import laying
from residue.runtime.listening.laying import AFTER_S, Laying, lay
from residue.runtime.listening.opening import opened
from residue.runtime.planning.cache_size import tidy
from residue.runtime.planning.checkpoints import EVERY_FRAMES
from residue.runtime.system.child_process import END_S, ChildProcess
from tests.runtime.listening.desk import NAME, SHARPER, build, version


@pytest.fixture(scope="module")
def installation(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return build(tmp_path_factory.mktemp("desk"), 150.0)


def test_all_places_are_known_afterwards(installation: Path, tmp_path: Path) -> None:
    at = version(installation, tmp_path)
    lay(installation, NAME, tmp_path)
    assert [at.kept.whole(minute * EVERY_FRAMES) for minute in (1, 2, 3)] == [True, True, False]
    playback, fresh = opened(at, frame_at(130.0), (), None)
    assert (playback.position, fresh) == (2 * EVERY_FRAMES, [])


def test_it_goes_on_where_something_is_missing(
    installation: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    at = version(installation, tmp_path)
    lay(installation, NAME, tmp_path)
    begins: list[int] = []

    def noted(playback: Playback) -> Sequence[object]:
        begins.append(playback.position)
        return ()

    monkeypatch.setattr(laying, "steps", noted)
    lay(installation, NAME, tmp_path)
    late = max(at.kept.folders, key=lambda folder: len(list(folder.glob("*"))))
    next(path for path in late.iterdir() if int(path.stem) == 2 * EVERY_FRAMES).unlink()
    lay(installation, NAME, tmp_path)
    version(installation, tmp_path, SHARPER)
    lay(installation, NAME, tmp_path)
    assert begins == [2 * EVERY_FRAMES, EVERY_FRAMES, 0]


def test_what_no_version_asks_for_any_more_is_removed(
    installation: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(laying, "tidy", partial(tidy, most_bytes=0))
    before = version(installation, tmp_path)
    lay(installation, NAME, tmp_path)
    edited = version(installation, tmp_path, SHARPER)
    lay(installation, NAME, tmp_path)
    assert before.kept.known(EVERY_FRAMES)[1] == {"arm", "murmur", "murmur_out", "form"}
    assert edited.kept.whole(EVERY_FRAMES)


class Child:
    """A process that only notes that it was ended."""

    def __init__(self, begun: list[Child]) -> None:
        self.ended = False
        begun.append(self)

    def end(self, wait_s: float = END_S) -> None:
        assert wait_s <= 0.5, "somebody waits for the sound, or for the end"
        self.ended = True


def test_it_begins_when_nobody_has_saved_for_a_while_and_one_ends_for_the_next() -> None:
    begun: list[Child] = []
    beside = Laying(Path("desk"), NAME, Path("cache"), lambda _module, _arguments: Child(begun))  # type: ignore[arg-type, return-value]
    for now_s in (0.0, 1.0):
        beside.begin(now_s)
        beside.look(now_s + AFTER_S - 0.1)
    assert not begun
    beside.look(1.0 + AFTER_S)
    beside.look(9.0)
    assert len(begun) == 1
    beside.begin(9.0)
    assert begun[0].ended
    beside.look(9.0 + AFTER_S)
    beside.end()
    assert [child.ended for child in begun] == [True, True]


def test_as_a_process_it_does_the_same(installation: Path, tmp_path: Path) -> None:
    at = version(installation, tmp_path)
    child = ChildProcess("residue.runtime.listening.laying", [str(installation), NAME, str(tmp_path)])
    try:
        child._process.wait(200)
        assert child.status == 0, child.complaint
    finally:
        child.end()
    assert at.kept.whole(2 * EVERY_FRAMES)
