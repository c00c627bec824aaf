"""What `show` tells a person of a bag."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import msgspec
import numpy as np
import pytest

from residue.archive.bag import open_bag, seal
from residue.archive.performance import FILE_NAME, Mark, Permission, write_performance
from residue.archive.summary import sparkline, summarise
from tests.archive.bags import CHANNELS, SEALED_ON, performance, recorded_folder, sealed_bag


def test_it_names_the_evening_and_every_channel_with_its_length_rate_and_unit(tmp_path: Path) -> None:
    told = summarise(sealed_bag(tmp_path))
    assert told.startswith("First Batch\nIda Brandt, 2026-02-11 23:40 +0100\n")
    rows = {line.split()[0]: line.split()[1:] for line in told.splitlines() if "  " in line}
    assert rows["channel"] == ["kind", "site", "from", "length", "rate", "unit"]
    assert rows["forearm_left"] == ["mmg", "0", "s", "2.0", "s", "48000", "Hz", "V"]
    assert rows["back_of_head"] == ["eeg", "0.5", "s", "4.0", "s", "256", "Hz", "uV"]
    assert rows["beats"] == ["rr", "0", "s", "3.2", "s", "5", "beats", "ms"]
    assert "No consent is written down." in told


def test_it_tells_notes_marks_and_what_the_performer_permits(tmp_path: Path) -> None:
    spring = Permission(consent="signed 2026-02-11, folder 3", use="this house only", shown_until=date(2026, 5, 31))
    facts = msgspec.structs.replace(
        performance(CHANNELS), notes="The oven was at 250 °C.", mark=[Mark(at_s=12.5, text="clap")], permission=spring
    )
    recorded = recorded_folder(tmp_path / "recorded")
    (recorded / FILE_NAME).write_text(write_performance(facts), encoding="utf-8")
    told = summarise(seal(recorded, tmp_path / "first-batch", {}, SEALED_ON)).splitlines()
    for line in (
        "The oven was at 250 °C.",
        "      12.5 s  clap",
        "Consent: signed 2026-02-11, folder 3",
        "Use: this house only",
        "To be shown from any day to 2026-05-31.",
    ):
        assert line in told


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


def test_a_channel_that_moves_evenly_does_not_look_like_one_that_stands_still() -> None:
    assert sparkline(np.array([3.0, 3.0]), lowest=0.0) == "██"
    assert sparkline(np.array([0.0, 0.0]), lowest=0.0) == "▁▁"
