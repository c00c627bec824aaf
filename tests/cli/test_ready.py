"""The morning check at a running daemon, with the tones in what it sends."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import numpy as np
import pytest
import soundfile
from click.testing import CliRunner, Result

from residue.cli import main
from tests.runtime.asking import until
from tests.runtime.running import Daemon

pytestmark = pytest.mark.real_time

CLOSED = """
time_zone = "UTC"

[[exception]]
date = 2098-03-02
open = ["10:00-18:00"]

[programme]
performances = ["first-batch"]
"""


@pytest.fixture
def closed_house(tmp_path: Path) -> Iterator[Daemon]:
    one = Daemon(tmp_path, duration_s=2.0)
    room = one.installation / "room.toml"
    room.write_text(room.read_text().replace("[control]", '[control]\nkey = "rye and water"'))
    (one.installation / "hours.toml").write_text(CLOSED)
    one.start()
    until(one.port, lambda told: told["health"]["planning"] is None and told["house"] == "closed")
    yield one
    one.end()


def asked(house: Daemon, *words: str) -> Result:
    return CliRunner().invoke(main, ["ready", str(house.installation), "--at", f"127.0.0.1:{house.port}", *words])


def test_it_says_no_with_each_reason_and_each_output_sounds_where_nothing_plays(closed_house: Daemon) -> None:
    result = asked(closed_house, "--tones")
    assert result.exit_code == 1, result.output
    assert "left counts its number." in result.output
    assert "No. " in result.output
    assert "- It does not open within 2 days. Look at hours.toml: residue hours." in result.output
    assert until(closed_house.port, lambda told: not told["tone"])["house"] == "closed"
    closed_house.kill()
    heard, _ = soundfile.read(closed_house.wav, always_2d=True)
    loudest = np.abs(heard).max(axis=0)
    assert (loudest > 1e-4).all(), "every output of the room"
    with closing(sqlite3.connect(closed_house.state / "levels.sqlite")) as reader:
        kinds = [kind for (kind,) in reader.execute("SELECT kind FROM event")]
    assert kinds.count("tone") == 2
    assert "watchdog" not in kinds, "a tone that a person asked for is no sound out of hours"


def test_while_it_plays_no_tone_is_mixed_in(tmp_path: Path) -> None:
    house = Daemon(tmp_path)
    room = house.installation / "room.toml"
    room.write_text(room.read_text().replace("[control]", '[control]\nkey = "rye and water"'))
    try:
        house.start("--device", "silent")
        until(house.port, lambda told: told["performance"] is not None)
        result = asked(house, "--tones")
    finally:
        house.end()
    assert result.exit_code == 1
    assert "Something sounds. Hold the house first, or wait until it is silent." in result.output
