"""A level profile in the cache, whatever has become of its file."""

from __future__ import annotations

import warnings
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from residue.loudness.plan.profile import LevelProfile
from residue.problems import ProblemError

LEVELS = ("energy", "peak", "fast", "ending_peak", "ending_fast", "true_peak", "onset_energy", "mapping_energy")
HEAD_BYTES, END_BYTES = 30, 90
"""The head of the archive, and the last entry of its directory with what follows it; all parts are built alike."""


@pytest.fixture
def kept(tmp_path: Path) -> tuple[LevelProfile, Path]:
    values = np.arange(4.0).reshape(2, 2)
    profile = LevelProfile(ears=(), **dict.fromkeys(LEVELS, values))
    profile.save(tmp_path / "profile.npz")
    return profile, tmp_path / "profile.npz"


def spoilt(content: bytes) -> Iterator[bytes]:
    """Every bit of both ends flipped by itself, and every length to which the file can be cut."""
    places = {*range(HEAD_BYTES), *range(len(content) - END_BYTES, len(content))}
    for at in sorted(places):
        for bit in range(8):
            yield content[:at] + bytes([content[at] ^ 1 << bit]) + content[at + 1 :]
    yield from (content[:length] for length in range(0, len(content), 29))


def test_a_spoilt_profile_is_refused_in_one_way_or_means_the_same(kept: tuple[LevelProfile, Path]) -> None:
    """Whoever loads it makes it again then; any other exception would end the planner at every start."""
    profile, path = kept
    content, refused = path.read_bytes(), 0
    for wrong in spoilt(content):
        path.write_bytes(wrong)
        try:
            with warnings.catch_warnings():
                warnings.simplefilter("ignore")  # zipfile and numpy warn of some of it
                found = LevelProfile.load(path)
        except ProblemError:
            refused += 1
        else:
            assert found.ears == profile.ears
            assert all(np.array_equal(getattr(found, name), getattr(profile, name)) for name in LEVELS)
    assert refused > 300
