"""A long performance goes on soon from any place, with the bits of an unbroken run, and from a spoilt place later."""

from __future__ import annotations

import os
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path

import pytest

from residue.installation.load import Installation, load
from residue.loudness.plan.plan import Lowering
from residue.mapping.playback import Playback
from residue.mapping.signals import AUDIO_RATE_HZ
from residue.runtime.planning.checkpoints import EVERY_S
from residue.runtime.planning.preparation import (
    checkpoints_path,
    open_performance,
    playback_before,
    playback_of,
    profile_path,
)
from tests.runtime.kitchen import HOURS, build

NAME = "second-batch"
LATE = round(2.1 * EVERY_S) * AUDIO_RATE_HZ + 4_800
FRAMES = 96_000
KNOTS_DB = (-1.0, -6.0, 0.0, -3.0)


@dataclass
class Planned:
    """An installation whose performances another process has planned."""

    installation: Installation
    cache: Path

    def __post_init__(self) -> None:
        self.performance = open_performance(self.installation, NAME, self.cache)
        self.kept = checkpoints_path(self.installation, self.performance.digest, self.cache)

    def before(self, frame: int) -> Playback:
        return playback_before(frame, self.installation, self.performance, Lowering(KNOTS_DB), self.cache)

    def plan(self) -> None:
        folder = str(self.installation.folder)
        command = [sys.executable, "-m", "residue.runtime.planning.planning", folder, folder, str(self.cache)]
        subprocess.run(command, check=True, capture_output=True, env={**os.environ, "PYTHONWARNINGS": "error"})


@pytest.fixture(scope="module")
def planned(tmp_path_factory: pytest.TempPathFactory) -> Planned:
    folder = tmp_path_factory.mktemp("kitchen")
    built = build(folder, 9_000, 2.2 * EVERY_S)
    alone = HOURS.replace('["first-batch", "second-batch"]', f'["{NAME}"]')  # another would only take its time
    (built / "hours.toml").write_text(alone, encoding="utf-8")
    found = Planned(load(built), folder / "cache")
    found.plan()
    return found


@pytest.fixture(scope="module")
def unbroken(planned: Planned) -> bytes:
    whole = playback_of(planned.installation, planned.performance, Lowering(KNOTS_DB))
    whole.skip_to(LATE)
    return whole.step(FRAMES).outputs.tobytes()


def test_it_goes_on_from_the_last_minute_with_the_bits_of_an_unbroken_run(planned: Planned, unbroken: bytes) -> None:
    resumed = planned.before(LATE)
    assert LATE - (EVERY_S + 2) * AUDIO_RATE_HZ < resumed.position <= LATE
    resumed.skip_to(LATE)
    assert resumed.step(FRAMES).outputs.tobytes() == unbroken


def test_before_the_first_minute_it_begins_at_the_beginning(planned: Planned) -> None:
    assert planned.before(AUDIO_RATE_HZ).position == 0


def test_one_that_is_spoilt_is_as_good_as_none(
    planned: Planned, unbroken: bytes, caplog: pytest.LogCaptureFixture
) -> None:
    last = max(planned.kept.iterdir())
    whole = last.read_bytes()
    try:
        for spoilt in (whole[:1_000], b"", whole[:5_000] + b"\x01" + whole[5_001:]):
            last.write_bytes(spoilt)
            resumed = planned.before(LATE)
            assert 0 < resumed.position < int(last.stem)
            assert "cannot be used" in caplog.text
            caplog.clear()
            resumed.skip_to(LATE)
            assert resumed.step(FRAMES).outputs.tobytes() == unbroken
    finally:
        last.write_bytes(whole)


def test_they_are_made_again_where_somebody_has_removed_them(planned: Planned) -> None:
    names = sorted(path.name for path in planned.kept.iterdir())
    assert len(names) == 2
    for path in planned.kept.iterdir():
        path.unlink()
    planned.kept.rmdir()
    assert profile_path(planned.installation, planned.performance.digest, planned.cache).exists()
    planned.plan()
    assert sorted(path.name for path in planned.kept.iterdir()) == names
