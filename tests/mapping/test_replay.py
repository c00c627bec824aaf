"""A playback that was kept gives its sound again, to the bit, however it is cut."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np
import pytest

from residue.installation.load import read_piece
from residue.loudness.plan.arc import GainCurve
from residue.mapping import replay
from residue.mapping.playback import Playback
from residue.mapping.replay import Replay
from tests.mapping.test_playback import PIECE, kneading


def playback(folder: Path) -> Playback:
    path = folder / "piece.toml"
    path.write_text(PIECE, encoding="utf-8")
    graph, findings = read_piece(path)
    assert graph is not None, findings
    performance = kneading(5.0)
    return Playback(graph, performance, performance.frames, "")


@contextmanager
def taken(folder: Path, first: Playback) -> Iterator[Replay]:
    with Replay(2, folder) as kept:
        ended = False
        while not ended:
            played = first.step(28_800)
            kept.take(first, played)
            ended = played.ended
        yield kept


@pytest.mark.parametrize("frames", [4_800, 1_001])
def test_it_is_the_playback_to_the_bit_under_a_gain_too(tmp_path: Path, frames: int) -> None:
    with taken(tmp_path, playback(tmp_path)) as kept:
        assert kept.whole
        again, ended = playback(tmp_path), False
        kept.gains = again.gains = GainCurve((-3.0, -9.0)).gains
        while not ended:
            assert kept.position == again.position
            given, expected = kept.step(frames), again.step(frames)
            np.testing.assert_array_equal(given.outputs, expected.outputs)
            assert (given.span, given.ended) == (expected.span, expected.ended)
            ended = expected.ended
        assert kept.end == again.end


def test_what_does_not_begin_at_the_beginning_is_not_whole(tmp_path: Path) -> None:
    late = playback(tmp_path)
    late.skip_to(4_800)
    with taken(tmp_path, late) as kept:
        assert not kept.whole


def test_what_is_too_much_is_not_whole(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(replay, "MOST_BYTES", 1 << 20)
    with taken(tmp_path, playback(tmp_path)) as kept:
        assert not kept.whole


def test_what_the_disk_does_not_take_is_not_whole(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    class FullDisk:
        def tell(self) -> int:
            return 0

        def close(self) -> None:
            """It holds nothing."""

        def write(self, data: memoryview) -> int:
            raise OSError(28, "No space left on device")

    monkeypatch.setattr("tempfile.TemporaryFile", lambda **_: FullDisk())
    with taken(tmp_path, playback(tmp_path)) as kept:
        assert not kept.whole
    assert "The sound is not kept for the render: No space left on device" in caplog.text
