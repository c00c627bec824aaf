"""What the commands print fits a terminal of 80 columns (common practice, no source)."""

from __future__ import annotations

import io
import re
from pathlib import Path

import pytest
from click.testing import CliRunner

from residue.cli import main
from tests.runtime import kitchen

COLUMNS = 80
_NOT_SHOWN = re.compile(r"\x1b\[[0-9;?]*[a-zA-Z]")


class Terminal(io.StringIO):
    """Takes what is printed, as a terminal."""

    def isatty(self) -> bool:
        return True

    def lines(self) -> list[str]:
        """What is seen; a carriage return writes over what stood there."""
        text = _NOT_SHOWN.sub("", self.getvalue())
        return [line.rpartition("\r")[2] for line in text.split("\n")]


@pytest.fixture(scope="module")
def kitchen_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return kitchen.build(tmp_path_factory.mktemp("kitchen"), 47_399, duration_s=0.2).parent


COMMANDS = [
    "caps short-dough",
    "check short-dough",
    "hours short-dough --from 2026-12-20",
    "nodes",
    "nodes layers",
    "show short-dough/performances/first-batch",
    "verify short-dough",
    "status --at 127.0.0.1:9",
    "trace short-dough --performance first-batch --signal murmer --out t.csv",
]


@pytest.mark.parametrize("command", COMMANDS)
def test_what_a_command_prints_fits_the_terminal(
    command: str, kitchen_folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    seen = Terminal()
    monkeypatch.chdir(kitchen_folder)
    monkeypatch.setenv("XDG_CACHE_HOME", str(kitchen_folder / "cache"))
    monkeypatch.setenv("COLUMNS", str(COLUMNS))
    monkeypatch.setattr("sys.stdout", seen)
    monkeypatch.setattr("sys.stderr", seen)
    main(command.split(), standalone_mode=False)
    assert any(seen.lines())
    assert [line for line in seen.lines() if len(line) > COLUMNS] == []


@pytest.mark.parametrize("command", ["", *main.commands])
def test_every_help_fits_the_terminal(command: str) -> None:
    shown = CliRunner().invoke(main, [*command.split(), "-h"], terminal_width=COLUMNS)
    assert shown.exit_code == 0
    assert [line for line in shown.output.splitlines() if len(line) > COLUMNS] == []
