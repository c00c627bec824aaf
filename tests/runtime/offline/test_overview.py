"""A performance at a glance: levels of outputs before and after the cap, bands, sections, readings."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner, Result

from residue.cli import main
from residue.installation.load import load
from residue.runtime.offline.overview import EDGES_HZ, overview
from residue.runtime.planning.preparation import open_performance, plan_performance
from tests.runtime import kitchen

PIECE = """
title = "Two tones"
outputs = ["left", "right"]
closing_fade_s = 2

[node.arm]
kind = "channel"
channel = "forearm"

[node.ten]
kind = "constant"
value = 10

[node.low]
kind = "oscillator"
frequency_hz = 1000
gain_db = -6

[node.high]
kind = "oscillator"
frequency_hz = 3000
gain_db = -40

[node.out_low]
kind = "output"
input = "low"
to = ["left"]

[node.out_high]
kind = "output"
input = "high"
to = ["right"]

[node.told]
kind = "feed"
input = "ten"
address = "/feed/ten"

[[section]]
name = "quiet hands"
at_most_s = 4

[[section]]
name = "dough"
at_most_s = 6
"""
SINE_DB = -3.01
"""The RMS of a sine below its peak."""


@pytest.fixture(scope="module")
def installation(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = kitchen.build(tmp_path_factory.mktemp("kitchen"), port=47_398, duration_s=12.0)
    (folder / "piece.toml").write_text(PIECE, encoding="utf-8")
    return folder


def drawn(installation: Path, folder: Path, *words: str) -> tuple[Result, list[dict[str, str]]]:
    """What the command said, and its table."""
    asked = ["overview", str(installation), "--performance", "first-batch", "--out", str(folder / "a.png")]
    asked += ["--table", str(folder / "a.csv"), *words]
    found = CliRunner().invoke(main, asked, env={"XDG_CACHE_HOME": str(folder / "cache")})
    with (folder / "a.csv").open(encoding="utf-8", newline="") as file:
        return found, list(csv.DictReader(file))


@pytest.fixture(scope="module")
def rows(installation: Path, tmp_path_factory: pytest.TempPathFactory) -> list[dict[str, str]]:
    found, rows = drawn(installation, tmp_path_factory.mktemp("drawn"))
    assert found.exit_code == 0, found.output
    return rows


def test_it_shows_what_was_mapped(rows: list[dict[str, str]]) -> None:
    for row in rows[2:18]:
        assert float(row["left_mapped_dbfs"]) == pytest.approx(-6.0 + SINE_DB, abs=0.02)
        assert float(row["right_mapped_dbfs"]) == pytest.approx(-40.0 + SINE_DB, abs=0.02)


def test_it_shows_what_the_plan_took_from_every_output(rows: list[dict[str, str]]) -> None:
    # The kitchen allows LAeq 60 s -20 dBFS. 1 kHz counts in full (IEC 61672-1, table 3), and the low output sounds at
    # -9 dBFS for 10 s of at most 60: the plan takes more than 3 dB, and the same from both outputs at all times.
    changes = [float(row[f"{output}_change_db"]) for row in rows[4:18] for output in ("left", "right")]
    assert max(changes) < -3.0
    assert max(changes) - min(changes) <= 0.03


def test_it_names_the_sections_and_the_readings(rows: list[dict[str, str]]) -> None:
    by_time = {float(row["time_s"]): row for row in rows}
    assert by_time[3.5]["section"] == "quiet hands"
    assert by_time[4.5]["section"] == "dough"
    assert by_time[10.5]["section"] == "end"
    assert max(by_time) == 11.5  # the closing fade
    assert {row["ten"] for row in rows} == {"10"}


def test_another_performance_stands_beside_it(installation: Path, tmp_path: Path) -> None:
    alone, both = tmp_path / "alone.png", tmp_path / "both.png"
    asked = ["overview", str(installation), "--performance", "first-batch", "--out"]
    for words in ([*asked, str(alone)], [*asked, str(both), "--beside", "second-batch"]):
        found = CliRunner().invoke(main, words, env={"XDG_CACHE_HOME": str(tmp_path / "cache")})
        assert found.exit_code == 0, found.output
    # PNG (ISO/IEC 15948, 11.2.2): the width stands in bytes 16 to 19.
    widths = [int.from_bytes(path.read_bytes()[16:20], "big") for path in (alone, both)]
    assert widths[1] == 2 * widths[0]


def test_the_bands_hold_the_power_of_all_outputs(installation: Path, tmp_path: Path) -> None:
    loaded = load(installation)
    opened = open_performance(loaded, "first-batch", tmp_path)
    shown = overview(loaded, opened, plan_performance(loaded, "first-batch", tmp_path))
    for row in (4, 12):
        # Parseval's theorem; the window and the tones' skirts may cost a little.
        sent = sum(10 ** (levels[row] / 10) for levels in shown.sent_dbfs.values())
        assert 10 * np.log10((10 ** (shown.bands_dbfs[:, row] / 10)).sum()) == pytest.approx(
            10 * np.log10(sent), abs=0.1
        )
        loudest = int(shown.bands_dbfs[:, row].argmax())
        assert EDGES_HZ[loudest] <= 1000.0 <= EDGES_HZ[loudest + 1]


def test_an_unknown_performance_is_named_with_the_nearest(installation: Path, tmp_path: Path) -> None:
    asked = ["overview", str(installation), "--performance", "frist-batch", "--out", str(tmp_path / "a.png")]
    found = CliRunner().invoke(main, asked, env={"XDG_CACHE_HOME": str(tmp_path / "cache")})
    assert found.exit_code != 0
    assert "first-batch" in found.output
