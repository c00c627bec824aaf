"""What keeps one performance from being planned keeps no other from it."""

from __future__ import annotations

from pathlib import Path

import pytest

from residue.archive.prepared import PreparedPerformance
from residue.installation.load import Installation, load
from residue.mapping.playback import Playback, Played
from residue.runtime.planning import preparation
from residue.runtime.planning.planning import make_ready
from residue.runtime.planning.preparation import PROFILES, playback_of
from tests.runtime import kitchen


@pytest.fixture
def installation(tmp_path: Path) -> Installation:
    return load(kitchen.build(tmp_path, port=47_397, duration_s=1.0))


def test_a_node_that_raises_on_one_evening_leaves_the_others_playable(
    installation: Installation, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    first = next(iter(installation.performances))

    def broken(_frames: int) -> Played:
        raise RuntimeError("no crumb is left")

    def opened(installation: Installation, performance: PreparedPerformance) -> Playback:
        playback = playback_of(installation, performance)
        if performance.digest == digests[first]:
            monkeypatch.setattr(playback, "step", broken)
        return playback

    digests = {name: preparation.open_performance(installation, name, tmp_path).digest for name in installation.played}
    monkeypatch.setattr(preparation, "playback_of", opened)
    outcome = make_ready(installation, tmp_path)
    assert outcome.unplayable.keys() == {first}
    assert "The graph failed at 0.0 s, or shortly before: no crumb is left." in outcome.unplayable[first]
    assert outcome.gain_db.keys() == digests.keys() - {first}


def test_a_level_profile_that_cannot_be_kept_keeps_nothing_from_being_played(
    installation: Installation, tmp_path: Path
) -> None:
    (tmp_path / PROFILES).write_text("a file where the folder should be")
    outcome = make_ready(installation, tmp_path)
    assert outcome.unplayable == {}
    assert outcome.gain_db.keys() == set(installation.played)
