"""What people read agrees with what the program does."""

import re
from pathlib import Path

import click
import pytest

from deploy.tables import DOCUMENTS, ROOT, TABLES, filled
from residue.cli import main

COMMAND_ROW = re.compile(r"^\| `residue (\w+) ([^`]*)` \|", re.MULTILINE)
COMMAND_LINE = re.compile(r"^    (?:sudo )?(?:\S+/)?residue (\w+)(.*)$", re.MULTILINE)
OPTION = re.compile(r"--[a-z][a-z-]*")


def options(command: click.Command) -> set[str]:
    return {name for parameter in command.params for name in parameter.opts if name.startswith("--")}


def test_the_table_of_commands_in_the_readme_has_each_command_with_all_its_options() -> None:
    rows = COMMAND_ROW.findall((ROOT / "README.md").read_text(encoding="utf-8"))
    written = {name: set(OPTION.findall(rest)) for name, rest in rows}
    assert written == {name: options(command) for name, command in main.commands.items()}


@pytest.mark.parametrize("document", DOCUMENTS, ids=lambda path: path.name)
def test_commands_in_the_documents_are_commands_with_options_that_there_are(document: Path) -> None:
    for name, rest in COMMAND_LINE.findall(document.read_text(encoding="utf-8")):
        assert name in main.commands
        assert set(OPTION.findall(rest)) <= options(main.commands[name]), f"residue {name}{rest}"


@pytest.mark.parametrize("document", DOCUMENTS, ids=lambda path: path.name)
def test_files_that_the_documents_name_are_there(document: Path) -> None:
    text = document.read_text(encoding="utf-8")
    linked = [document.parent / target for target in re.findall(r"\]\(([^)#:]+)\)", text)]
    named = [ROOT / path for path in re.findall(r"`((?:deploy|archives|residue|tests)/[\w./-]+)`", text)]
    assert [path for path in linked + named if not path.exists()] == []


@pytest.mark.parametrize("document", DOCUMENTS, ids=lambda path: path.name)
def test_tables_in_the_documents_are_as_the_program_has_them(document: Path) -> None:
    """Where this fails: python -m deploy.tables."""
    text = document.read_text(encoding="utf-8")
    assert text == filled(text)


def test_every_table_stands_in_one_document() -> None:
    marks = re.findall(r"<!-- table: (\w+) -->", "".join(path.read_text(encoding="utf-8") for path in DOCUMENTS))
    assert sorted(marks) == sorted(TABLES)


@pytest.mark.parametrize("script", ["deploy/demo", "deploy/test"])
def test_the_readme_begins_with_the_job_and_the_two_commands(script: str) -> None:
    title, job, commands, *_ = (ROOT / "README.md").read_text(encoding="utf-8").split("\n\n")
    assert title.startswith("# ")
    assert "unattended" in job
    assert f"sh {script}" in commands
