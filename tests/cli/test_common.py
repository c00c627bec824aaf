"""How what goes wrong, and what there is, reaches a person."""

from __future__ import annotations

import json
import re
import sys
from io import StringIO
from pathlib import Path

import pytest
from click.testing import CliRunner

from residue.cli import main
from residue.cli.common import print_json, progress

NIGHT_DOUGH = "archives/night-dough"


@pytest.mark.parametrize("command", ["hours", "check"])
def test_what_the_system_says_of_a_file_is_told_in_a_sentence(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, command: str
) -> None:
    def denied(path: Path) -> None:
        raise PermissionError(13, "Permission denied", str(path))

    monkeypatch.setattr(Path, "iterdir", denied)  # root is denied nothing
    found = CliRunner().invoke(main, [command, NIGHT_DOUGH], env={"XDG_CACHE_HOME": str(tmp_path)})
    assert found.exit_code == 1
    assert f"{NIGHT_DOUGH}/performances: Permission is denied. Give this user access" in found.output
    assert isinstance(found.exception, SystemExit)


def test_the_list_of_commands_cuts_nothing_short() -> None:
    told = CliRunner().invoke(main, ["--help"]).output
    assert "..." not in told.split("Commands:")[1]
    assert "opening hours, what people did, what went wrong." in told


def test_what_is_told_to_programs_steers_no_terminal_either(capsys: pytest.CaptureFixture[str]) -> None:
    print_json({"what": "\x1b\x7f\x9bé"})
    shown = capsys.readouterr().out
    assert shown.replace("\n", "").isprintable()
    assert json.loads(shown) == {"what": "\x1b\x7f\x9bé"}


class _Terminal(StringIO):
    def isatty(self) -> bool:
        return True


def test_the_bar_begins_anew_with_each_piece_of_work_and_fits_the_terminal(monkeypatch: pytest.MonkeyPatch) -> None:
    shown = _Terminal()
    monkeypatch.setattr(sys, "stderr", shown)
    monkeypatch.setenv("COLUMNS", "60")
    with progress("Checking") as told:
        told("data/forearms.flac", 10, 10)
        told("levels of first-batch", 40, 100)
    printed = re.sub(r"\x1b\[\?25[lh]", "", shown.getvalue())  # hides the cursor, and shows it again
    drawn = [line for line in re.split("[\r\n]", printed) if "%" in line]
    assert any("40%" in line and "levels of first-batch" in line for line in drawn)
    assert max(len(line.rstrip()) for line in drawn) <= 60


@pytest.mark.parametrize("name", list(main.commands))
def test_help_of_every_command_is_found_by_either_name(name: str) -> None:
    short, long = (CliRunner().invoke(main, [name, option]) for option in ("-h", "--help"))
    assert (short.exit_code, short.output) == (0, long.output)
    assert "-h, --help" in short.output


def test_verify_takes_an_installation_for_all_its_performances() -> None:
    found = CliRunner().invoke(main, ["verify", NIGHT_DOUGH])
    assert found.exit_code == 0
    assert "3 bags, 0 not as they were sealed" in found.output
