"""What `show` tells a person of a bag."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from residue.archive.bag import open_bag
from residue.archive.summary import sparkline, summarise
from tests.archive.bags import sealed_bag


def test_it_names_the_evening_and_every_channel_with_its_length_rate_and_unit(tmp_path: Path) -> None:
    told = summarise(sealed_bag(tmp_path))
    assert told.startswith("First Batch\nIda Brandt, 2026-02-11 23:40 +0100\n")
    assert "mmg, 2.0 s, 48000 Hz, V" in told
    assert "eeg, 4.0 s, 256 Hz, uV" in told
    assert "rr, 3.2 s, 5 beats, ms" in told


def test_a_channel_that_cannot_be_read_says_why_and_the_others_are_shown(tmp_path: Path) -> None:
    sealed = sealed_bag(tmp_path)
    (sealed.payload / "arms.flac").write_bytes(b"fLaC")
    told = summarise(open_bag(sealed.path))
    assert told.count("not a sound file") == 2
    assert "256 Hz" in told


@pytest.mark.parametrize(
    ("values", "drawn"),
    [
        ([0.0, 7.0], "▁█"),
        ([0.0, 1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 7.0], "▁▂▃▄▅▆▇█"),
        ([1.0, float("nan"), 2.0], "▁ █"),
        ([3.0, 3.0], "▁▁"),
        ([float("nan")], " "),
    ],
)
def test_a_sketch_runs_from_the_lowest_to_the_highest_value(values: list[float], drawn: str) -> None:
    assert sparkline(np.array(values)) == drawn
