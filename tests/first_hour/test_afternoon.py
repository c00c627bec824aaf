"""The artist's afternoon, from files to the room: the recordings are real, and the edits are heard."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile

from tests.bench.afternoon import EDITS, FIRST, SECOND, Afternoon, afternoon

OUTPUTS = ["left", "right", "back_left", "back_right", "floor"]


def sounds(one: Afternoon, wav: Path) -> None:
    """Every output sounded, below the ceiling, and no edit made a gap of a second."""
    heard, rate_hz = soundfile.read(wav)
    assert heard.shape[1] == len(OUTPUTS)
    assert 0.001 < np.abs(heard).max() < 1.0
    assert np.abs(heard).max(axis=0).min() > 1e-4, "each loudspeaker, and the shaker"
    hop = rate_hz // 10
    hops = heard[: len(heard) // hop * hop].reshape(-1, hop, len(OUTPUTS))
    sounding = np.flatnonzero(np.sqrt((hops**2).mean(axis=(1, 2))) > 1e-5)
    assert len(sounding) > 20
    assert np.diff(sounding).max() < 10
    assert one.artist.reads("loaf/piece.toml").count("drive_db = -38") == 1


@pytest.mark.long
@pytest.mark.real_time
def test_from_other_peoples_files_to_a_room_with_ten_edits_and_a_swap(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
    took = afternoon(tmp_path, sounds).took
    assert sum(what.startswith("edit ") for what, _ in took) == len(EDITS) == 10
    assert {what for what, _ in took if what.startswith("swap: ")} == {f"swap: {SECOND}", "swap: back"}
    assert (tmp_path / "loaf" / "performances" / FIRST).is_dir()
