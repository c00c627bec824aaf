"""The cap changes the demos by the gain of the plan alone."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from residue.dsp.exact import gain_from_db
from residue.installation.load import load
from residue.loudness.stage.protection import Conditioner
from residue.mapping.signals import AUDIO_RATE_HZ
from residue.runtime.offline.rendering import Excerpt, rendered_part
from residue.runtime.planning.preparation import open_performance, plan_performance, sounding_outputs

ARCHIVES = Path(__file__).parents[2] / "archives"
SHORT_HOP_FRAMES = AUDIO_RATE_HZ // 20
QUIETEST_DBFS = -60.0
MOST_DIFFERENT_DB = 0.1
"""Our own bound: a tenth of what a listener notices in a steady sound (from memory)."""

Floats = NDArray[np.float64]


def levels_db(signals: Floats) -> Floats:
    whole = signals[:, : signals.shape[1] // SHORT_HOP_FRAMES * SHORT_HOP_FRAMES]  # the form ends where it will
    levels: Floats = 10 * np.log10(np.mean(whole.reshape(len(whole), -1, SHORT_HOP_FRAMES) ** 2, axis=2) + 1e-20)
    return levels


def differences_db(piece: str, name: str, cache: Path, seconds: int | None, gain_db: float | None) -> Floats:
    """Of every hop of 50 ms that is loud enough, over all outputs; the high-pass of the room is on both sides."""
    installation = load(ARCHIVES / piece)
    performance = open_performance(installation, name, cache)
    planned_db = plan_performance(installation, name, cache).gain_db if gain_db is None else gain_db
    frames = performance.frames if seconds is None else seconds * AUDIO_RATE_HZ
    excerpt = Excerpt(0, frames)

    def part(gain_db: float | None) -> Floats:
        blocks = rendered_part(installation, performance, block_frames=48_000, excerpt=excerpt, gain_db=gain_db)
        return np.concatenate(list(blocks), axis=1)

    mapped = part(None) * gain_from_db(planned_db)
    before = levels_db(Conditioner(sounding_outputs(installation))(mapped))
    loud = before > QUIETEST_DBFS
    assert np.count_nonzero(loud) > 0.3 * loud.size
    differences: Floats = (levels_db(part(planned_db)) - before)[loud]
    return differences


@pytest.mark.parametrize(
    ("piece", "name", "seconds"),
    [pytest.param("oven-watch", "early-oven", 40, marks=pytest.mark.long), ("night-dough", "first-batch", 40)],
)
def test_the_cap_leaves_the_first_part_of_a_demo_alone(piece: str, name: str, seconds: int, tmp_path: Path) -> None:
    # A gain near the plan's, so that the rest of the programme need not be rendered.
    assert np.max(np.abs(differences_db(piece, name, tmp_path, seconds, -3.0))) <= MOST_DIFFERENT_DB
