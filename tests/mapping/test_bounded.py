"""What feeds back on itself stays within its bound, however long and loud it is fed."""

from __future__ import annotations

from typing import Any

import msgspec
import numpy as np
import pytest

from residue.mapping.nodes import KINDS
from tests.mapping.single import run

SECONDS = 20
FRAMES = SECONDS * 48_000
NOISE = np.sign(np.random.default_rng(11).uniform(-1.0, 1.0, FRAMES))
"""Full scale at every frame: as much power as there can be."""

FED = {
    "full-scale noise": NOISE,
    "a full-scale offset": np.ones(FRAMES),
    "a tone on the loop": np.sign(np.sin(2 * np.pi * np.arange(FRAMES) / 48_000 * 20.0)),
}

BOUNDS: dict[str, tuple[dict[str, Any], float]] = {
    # A loop is bent below full scale; three of them in one place at most add up. Our own construction.
    "layers": ({"loop_s": [0.05, 0.1, 0.05], "decay_db": 0.0, "spread": 0.0}, 3.0),
    # Geometric series: 1 / (1 - feedback).
    "echo": ({"delay_s": 0.05, "feedback": 0.98}, 50.0),
    # Eight lines without any gain above 1, four to an output at half: 60 dB in 2 s is 0.93 a round of the shortest.
    "reverberation": ({"decay_s": 2.0, "dull_hz": 20_000.0}, 8 / (1 - 0.93)),
    # Peak gain of each mode 1; of a full-scale square wave the fundamental has an amplitude of 4 / pi.
    "resonators": ({"modes_hz": [20.0, 20.0], "decay_s": 60.0}, 2 * 4 / np.pi),
}


@pytest.mark.parametrize("wave", FED.values(), ids=FED)
@pytest.mark.parametrize("kind", BOUNDS)
def test_what_feeds_back_stays_within_its_bound(kind: str, wave: np.ndarray) -> None:
    parameters, bound = BOUNDS[kind]
    node = msgspec.convert({"input": "a", **parameters}, KINDS[kind])
    heard = run(node, {"input": wave[None]}, FRAMES, range(0, FRAMES, 65_536))
    assert isinstance(heard, np.ndarray)
    assert np.abs(heard).max() <= bound


def test_layers_of_one_loop_never_reach_full_scale() -> None:
    node = msgspec.convert({"input": "a", "loop_s": [0.05], "decay_db": 0.0, "spread": 0.0}, KINDS["layers"])
    heard = run(node, {"input": 10.0 * NOISE[None]}, FRAMES, range(0, FRAMES, 65_536))
    assert isinstance(heard, np.ndarray)
    # In the middle a loop sounds at -3 dB on either side.
    assert np.abs(heard).max() < np.sqrt(0.5)
