"""The unit file, read by systemd's own tool; systemd itself is never started."""

import shlex
import subprocess
import sys
from pathlib import Path

import pytest

from residue.cli import main

UNIT = Path(__file__).parents[2] / "deploy" / "residue.service"
HIGHEST_EXPOSURE_TENTHS = 15
"""1.5 of 10, on the scale of `systemd-analyze security`: our own bound. A unit without any of its lines scores 9.6."""
INSTALLED_PYTHON = "/opt/residue/.venv/bin/python"


@pytest.fixture
def unit(tmp_path: Path) -> Path:
    """The unit as on a machine where the program is installed: systemd-analyze looks whether it is there."""
    path = tmp_path / UNIT.name
    path.write_text(UNIT.read_text(encoding="utf-8").replace(INSTALLED_PYTHON, f'"{sys.executable}"'))
    return path


def analyze(*arguments: str | Path) -> subprocess.CompletedProcess[str]:
    return subprocess.run(["systemd-analyze", *arguments], capture_output=True, text=True, check=False)


def test_systemd_finds_nothing_to_say_about_it(unit: Path) -> None:
    """An unknown key is only printed: the exit status stays 0."""
    verified = analyze("verify", "--man=no", unit)
    assert (verified.returncode, verified.stdout, verified.stderr) == (0, "", "")


def test_an_unknown_key_would_be_found(unit: Path) -> None:
    unit.write_text(unit.read_text(encoding="utf-8").replace("WatchdogSec=", "WatchdogSeconds="))
    assert "WatchdogSeconds" in analyze("verify", "--man=no", unit).stderr


def test_it_exposes_the_machine_no_more_than_it_must(unit: Path) -> None:
    scored = analyze("security", "--offline=true", f"--threshold={HIGHEST_EXPOSURE_TENTHS}", unit)
    assert scored.returncode == 0, scored.stdout


def test_a_unit_without_its_hardening_would_be_found(unit: Path) -> None:
    bare = [
        line for line in unit.read_text(encoding="utf-8").splitlines() if line.startswith(("[", "Type", "ExecStart"))
    ]
    unit.write_text("\n".join(bare))
    assert analyze("security", "--offline=true", f"--threshold={HIGHEST_EXPOSURE_TENTHS}", unit).returncode != 0


def test_it_starts_a_command_that_there_is() -> None:
    started = next(line for line in UNIT.read_text(encoding="utf-8").splitlines() if line.startswith("ExecStart="))
    program, *rest = shlex.split(started.removeprefix("ExecStart="))
    assert program == INSTALLED_PYTHON
    command, *arguments = rest[rest.index("residue") + 1 :]
    run = main.commands[command]
    assert run.make_context(command, arguments).params["installation"] == Path("/srv/residue")


def test_it_is_restarted_for_as_long_as_the_season_lasts() -> None:
    lines = UNIT.read_text(encoding="utf-8").splitlines()
    assert {"Restart=always", "StartLimitIntervalSec=0", "Type=notify"} <= set(lines)
    assert any(line.startswith("WatchdogSec=") for line in lines)
