"""What nodes give over time: any signal, any stretch, as tables and as a picture."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest
import soundfile
from click.testing import CliRunner, Result

from residue.cli import main
from tests.runtime import kitchen

MORE = """
[node.loudness]
kind = "follow"
input = "murmur"

[node.rises]
kind = "onsets"
input = "loudness"
threshold = 0.012
refractory_s = 0.05

[[section]]
name = "quiet hands"
at_most_s = 4

[[section]]
name = "dough"
at_most_s = 3
"""
SIGNALS = [word for name in ("loudness", "murmur", "rises", "form") for word in ("--signal", name)]
END_S = 9.0
"""Two sections, and the closing fade of 2 s."""


@pytest.fixture(scope="module")
def cache(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("cache")


@pytest.fixture(scope="module")
def installation(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = kitchen.build(tmp_path_factory.mktemp("kitchen"), port=47_397, duration_s=12.0)
    before, _, _ = kitchen.PIECE.partition("[[section]]")
    (folder / "piece.toml").write_text(before + MORE, encoding="utf-8")
    return folder


def run(cache: Path, *words: str | Path) -> Result:
    return CliRunner().invoke(main, [str(word) for word in words], env={"XDG_CACHE_HOME": str(cache)})


def traced(cache: Path, installation: Path, out: Path, *words: str | Path) -> tuple[list[list[str]], list[list[str]]]:
    """Both tables."""
    found = run(cache, "trace", installation, "--performance", "first-batch", "--out", out, *words)
    assert found.exit_code == 0, found.output
    tables = (out, out.with_name(f"{out.stem}.events.csv"))
    first, second = (list(csv.reader(path.read_text(encoding="utf-8").splitlines())) for path in tables)
    return first, second


@pytest.fixture(scope="module")
def whole(installation: Path, cache: Path) -> tuple[list[list[str]], list[list[str]]]:
    return traced(cache, installation, cache / "whole.csv", *SIGNALS)


def test_the_table_has_a_row_every_so_often_up_to_the_end(whole: tuple[list[list[str]], list[list[str]]]) -> None:
    head, *rows = whole[0]
    assert head == ["time_s", "loudness", "murmur"]
    assert [row[0] for row in rows[:3]] == ["0.0000", "0.0100", "0.0200"]
    assert len(rows) == round(END_S / 0.01)


def test_section_changes_stand_among_the_events(whole: tuple[list[list[str]], list[list[str]]]) -> None:
    changes = [(row[0], row[2]) for row in whole[1] if row[1] == "form"]
    assert changes == [("0.000000", "1"), ("4.000000", "2"), ("7.000000", "3")]
    assert any(row[1] == "rises" for row in whole[1])


def test_a_stretch_has_the_very_rows_of_the_whole(
    installation: Path, cache: Path, whole: tuple[list[list[str]], list[list[str]]], tmp_path: Path
) -> None:
    rows, events = traced(cache, installation, tmp_path / "part.csv", *SIGNALS, "--from-s", "3.5", "--to-s", "5")
    assert rows[1:] == [row for row in whole[0][1:] if 3.5 <= float(row[0]) < 5.0]
    assert events[1:] == [row for row in whole[1][1:] if 3.5 <= float(row[0]) < 5.0]


def test_a_sound_is_told_by_its_highest_magnitude_beside_a_render_of_it(
    installation: Path, cache: Path, whole: tuple[list[list[str]], list[list[str]]], tmp_path: Path
) -> None:
    out = tmp_path / "murmur.wav"
    words = ("--performance", "first-batch", "--node", "murmur", "--before-cap", "--out", out)
    assert run(cache, "render", installation, *words).exit_code == 0
    samples = soundfile.read(out)[0][: 7 * 48_000, 0]  # before the fade
    expected = np.abs(samples).reshape(-1, 480).max(axis=1)
    assert np.array([float(row[2]) for row in whole[0][1:701]]) == pytest.approx(expected, rel=1e-6)


@pytest.mark.parametrize(("name", "begins"), [("signals.png", b"\x89PNG"), ("signals.svg", b"<?xml")])
def test_signals_are_drawn(installation: Path, cache: Path, tmp_path: Path, name: str, begins: bytes) -> None:
    picture = tmp_path / name
    traced(cache, installation, tmp_path / "part.csv", *SIGNALS, "--to-s", "1", "--picture", picture)
    assert picture.read_bytes().startswith(begins)


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--signal", "murmurr", "--out", "x.csv"], 'There is no node "murmurr". Did you mean murmur?'),
        (["--signal", "murmur", "--out", "missing/x.csv"], "It is not there."),
        (
            ["--signal", "murmur", "--out", "x.csv", "--to-s", "1", "--picture", "x.pgn"],
            "'x.pgn' does not end in .png or .svg.",
        ),
        (["--signal", "murmur", "--out", "x.csv", "--from-s", "3", "--to-s", "2"], "--to-s 2 lies before --from-s 3."),
        (["--signal", "murmur", "--out", "x.csv", "--from-s", "nan"], "nan is not a finite number."),
        (["--signal", "murmur", "--out", "x.csv", "--to-s", "inf"], "inf is not a finite number."),
        (["--signal", "murmur", "--out", "x.csv", "--from-s", "9000"], "--from-s 9000: The performance ends after "),
    ],
    ids=[
        "unknown node",
        "no such folder",
        "no kind of picture",
        "ends before it begins",
        "no number",
        "no end",
        "begins after the end",
    ],
)
def test_what_cannot_be_traced_is_told(
    installation: Path, cache: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, words: list[str], said: str
) -> None:
    monkeypatch.chdir(tmp_path)
    found = run(cache, "trace", installation, "--performance", "first-batch", *words)
    assert found.exit_code > 0
    assert said in found.stderr


def test_a_node_alone_goes_through_the_cap_like_everything_that_is_heard(
    installation: Path, cache: Path, tmp_path: Path
) -> None:
    """The node alone would pass full scale; what comes out keeps below the limiter's ceiling of -1 dBTP."""
    loud = tmp_path / "loud"
    loud.mkdir()
    for path in installation.iterdir():
        (loud / path.name).symlink_to(path)
    (loud / "piece.toml").unlink()
    piece = (installation / "piece.toml").read_text(encoding="utf-8")
    added = '[node.shout]\nkind = "gain"\ninput = "murmur"\ngain_db = 40.0\n\n'
    (loud / "piece.toml").write_text(piece.replace("[node.loudness]", f"{added}[node.loudness]"), encoding="utf-8")
    peaks = []
    for how in ("--before-cap", "--block=4800"):
        out = tmp_path / "shout.wav"
        words = ("--performance", "first-batch", "--node", "shout", "--out", out, "--to-s", "4", how)
        assert run(cache, "render", loud, *words).exit_code == 0
        peaks.append(np.abs(soundfile.read(out)[0]).max())
    assert peaks[0] > 1.0
    assert 20 * np.log10(peaks[1]) < -1.0
