"""A night's reading of what is played."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from residue.archive.bag import payload_digest
from residue.archive.prepared import prepared_folder
from residue.installation.load import Installation, load
from residue.runtime.daemon.rereading import BYTES_PER_S, ReadingPace, spoilt
from residue.runtime.planning.preparation import CHANNELS, open_performance
from tests.runtime import kitchen
from tests.runtime.stubs import HandClock


@pytest.fixture
def clock() -> HandClock:
    return HandClock()


@pytest.fixture
def installation(tmp_path: Path) -> Installation:
    return load(kitchen.build(tmp_path, 47_399, duration_s=0.2))


def test_it_keeps_to_its_pace_and_does_not_hurry_after_a_pause(clock: HandClock) -> None:
    pace, began_s = ReadingPace(clock.monotonic_s, clock.sleep), clock.now_s
    for _ in range(100):
        pace.read(1 << 20)
    assert clock.now_s - began_s == pytest.approx(100 * (1 << 20) / BYTES_PER_S)
    clock.now_s += 60.0
    began_s = clock.now_s
    pace.read(round(BYTES_PER_S))
    assert clock.now_s - began_s == pytest.approx(1.0)


def test_bags_and_prepared_channels_are_read_and_what_changed_is_told(
    installation: Installation, clock: HandClock, tmp_path: Path
) -> None:
    pace, began_s, cache = ReadingPace(clock.monotonic_s, clock.sleep), clock.now_s, tmp_path / "cache"
    for name in installation.performances:
        open_performance(installation, name, cache)
    assert list(spoilt(installation, cache, pace)) == []
    bag = installation.performances["first-batch"]
    channels = prepared_folder(cache / CHANNELS, payload_digest(bag))
    size = (bag / "data" / "arm.flac").stat().st_size + sum(file.stat().st_size for file in channels.glob("*.npy"))
    assert clock.now_s - began_s > 1.9 * size / BYTES_PER_S, "both evenings, all of them"
    for file in (bag / "data" / "arm.flac", channels / "forearm.fast.npy"):
        stat, content = file.stat(), bytearray(file.read_bytes())
        content[len(content) // 2] ^= 8
        file.write_bytes(content)
        os.utime(file, ns=(stat.st_atime_ns, stat.st_mtime_ns))
    first, second = spoilt(installation, cache, pace)
    assert "data/arm.flac has changed since the bag was sealed" in first.what
    assert "the disk begins to fail" in first.mend
    assert "forearm.fast.npy has changed although nobody wrote to it" in second.what
