"""After a power cut a demo goes on as if nothing had been: from any playhead, the bits of an unbroken run."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

import numpy as np
import pytest

from residue.installation.load import load
from residue.mapping.playback import Playback
from residue.mapping.signals import AUDIO_RATE_HZ
from residue.runtime.engine.engine import BLOCK_FRAMES
from residue.runtime.planning.preparation import open_performance, playback_of

ARCHIVES = Path(__file__).parents[2] / "archives"
HEARD_BLOCKS = 10
"""A second of sound is compared at each playhead."""


def playheads(playback: Playback, sections: int) -> Mapping[int, np.ndarray]:
    """An unbroken run in the engine's blocks, as far as the last of these: a second of it, 4 s into each section."""
    kept: dict[int, list[np.ndarray]] = {}
    section = None
    while len(kept) < sections or len(kept[max(kept)]) < HEARD_BLOCKS:
        played = playback.step(BLOCK_FRAMES)
        if played.section != section:
            section = played.section
            kept[played.span.start + 4 * AUDIO_RATE_HZ] = []
        for start, blocks in kept.items():
            if start <= played.span.start < start + HEARD_BLOCKS * BLOCK_FRAMES:
                blocks.append(played.outputs)
    return {start: np.concatenate(blocks, axis=1) for start, blocks in kept.items()}


@pytest.mark.parametrize(
    ("piece", "name", "sections"),
    [
        ("night-dough", "first-batch", 2),
        pytest.param("night-dough", "first-batch", 3, marks=pytest.mark.long),
        pytest.param("oven-watch", "last-oven", 3, marks=pytest.mark.long),
    ],
)
def test_a_demo_goes_on_from_any_playhead_with_the_bits_of_an_unbroken_run(
    piece: str, name: str, sections: int, tmp_path: Path
) -> None:
    installation = load(ARCHIVES / piece)
    performance = open_performance(installation, name, tmp_path)
    unbroken = playheads(playback_of(installation, performance), sections)
    resumed = playback_of(installation, performance)
    for start, expected in unbroken.items():
        resumed.skip_to(start)
        assert np.abs(expected).max() > 0.0
        assert np.array_equal(resumed.step(HEARD_BLOCKS * BLOCK_FRAMES).outputs, expected), start / AUDIO_RATE_HZ
