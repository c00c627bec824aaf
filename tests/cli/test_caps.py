"""What a technician is told of caps and rules."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from residue.cli import main
from residue.loudness.caps.rules import RULES
from tests.runtime import kitchen

CALIBRATED = """
calibration = { played_dbfs = -20.0, read_dba = 124.0, read_dbc = 126.0, on = 2026-03-02 }
"""
SHAKEN = "vibration = { played_dbfs = -20.0, read_aw_m_per_s2 = 0.4, on = 2026-03-02 }\n"


def run(cache: Path, *words: str) -> Result:
    return CliRunner().invoke(main, ["caps", *words], env={"XDG_CACHE_HOME": str(cache)})


@pytest.fixture(scope="module")
def installation(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return kitchen.build(tmp_path_factory.mktemp("kitchen"), port=47_397, duration_s=4.0)


def calibrated(installation: Path, folder: Path) -> Path:
    """The same kitchen with a calibration on both outputs and a rule in force."""
    room = (installation / "room.toml").read_text(encoding="utf-8").replace('levels_at_the_ear = "unknown"', "")
    for channel in (1, 2):
        room = room.replace(f"device_channel = {channel}\n", f"device_channel = {channel}{CALIBRATED}")
    room = room.replace("device_channel = 2\n", f"device_channel = 2\n{SHAKEN}")
    copy = folder / "calibrated"
    copy.mkdir()
    for name in ("piece.toml", "hours.toml", "performances"):
        (copy / name).symlink_to(installation / name)
    (copy / "room.toml").write_text(room + '\n[[cap]]\nrule = "who-2022"\n', encoding="utf-8")
    return copy


def test_a_calibrated_room_is_told_what_every_rule_would_do_to_every_performance(
    installation: Path, tmp_path: Path
) -> None:
    found = run(tmp_path, str(calibrated(installation, tmp_path)), "--json")
    assert found.exit_code == 0, found.output
    told = json.loads(found.stdout)
    rules = {rule["name"]: rule for rule in told["rules"]}
    assert list(rules) == list(RULES)
    assert [name for name, rule in rules.items() if rule["in_force"]] == ["who-2022"]
    who = rules["who-2022"]["caps"][0]
    # Pink noise of -20 dBFS, 40 Hz to 10 kHz, weighs -22.1 dBFS(A) (tests/loudness/test_caps.py): with that it reads
    # 124 dB(A), 24 dB above the cap.
    assert who["limit_dbfs"] == pytest.approx(-22.1 - 24.0 - 0.08, abs=0.1)  # and what a cap adds
    assert set(rules["ch-93"]["planned_gain_db"]) == {"first-batch", "second-batch"}
    assert rules["eu-staff-lower"]["planned_gain_db"]["first-batch"] < rules["niosh"]["planned_gain_db"]["first-batch"]
    assert rules["eu-vibration-action"]["planned_gain_db"] == {"first-batch": 0.0, "second-batch": 0.0}
    assert rules["eu-vibration-action"]["caps"][0]["limit_m_per_s2"] == pytest.approx(0.5)


def test_a_room_without_calibration_is_told_what_is_missing(installation: Path, tmp_path: Path) -> None:
    found = run(tmp_path, str(installation))
    assert found.exit_code == 0, found.output
    assert "  LAeq over 1 min: at most -20 dBFS(A)\n" in found.stdout
    assert "    Here: LAeq over 15 min at most 100 dB(A) (levels at the ear unknown: no calibration)" in found.stdout
    assert "local rules and a qualified person" in found.stdout


def test_rules_are_listed_although_the_installation_cannot_open(installation: Path, tmp_path: Path) -> None:
    copy = calibrated(installation, tmp_path)
    (copy / "piece.toml").unlink()
    found = run(tmp_path, str(copy))
    assert found.exit_code == 0
    assert "* who-2022: WHO safe listening; protects visitors" in found.stdout
    assert "piece.toml: The file is missing." in found.stderr


def test_a_room_that_cannot_be_read_is_told(tmp_path: Path) -> None:
    found = run(tmp_path, str(tmp_path))
    assert found.exit_code == 1
    assert "room.toml: The file is missing." in found.stderr
