"""What people read agrees with what the program does."""

import re
from pathlib import Path

import click
import pytest

from deploy.keys import undescribed
from deploy.tables import DOCUMENTS, ROOT, TABLES, filled
from residue.cli import main
from tests.deploy.guide import PRINTED, printed_commands

COMMAND_ROW = re.compile(r"^\| `residue (\w+) ([^`]*)` \|", re.MULTILINE)
COMMAND_LINE = re.compile(r"^(?:sudo )?(?:\S+/)?residue (\w+)(.*)$")
OPTION = re.compile(r"--[a-z][a-z-]*")


def options(command: click.Command) -> set[str]:
    return {name for parameter in command.params for name in parameter.opts if name.startswith("--")}


def test_the_table_of_commands_in_the_readme_has_each_command_with_all_its_options() -> None:
    rows = COMMAND_ROW.findall((ROOT / "README.md").read_text(encoding="utf-8"))
    written = {name: set(OPTION.findall(rest)) for name, rest in rows}
    assert written == {name: options(command) for name, command in main.commands.items()}


@pytest.mark.parametrize("document", PRINTED, ids=lambda path: path.name)
def test_commands_in_the_documents_are_commands_with_options_that_there_are(document: Path) -> None:
    """Quickly, for those who edit; test_printed_commands.py runs them."""
    for command in printed_commands(document):
        if found := COMMAND_LINE.match(command):
            name, rest = found.groups()
            assert name in main.commands
            assert set(OPTION.findall(rest)) <= options(main.commands[name]), command


@pytest.mark.parametrize("document", PRINTED, ids=lambda path: path.name)
def test_no_block_stands_outside_a_fence_where_no_test_would_find_it(document: Path) -> None:
    text = re.sub(r"^ *```.*?^ *```$", "", document.read_text(encoding="utf-8"), flags=re.MULTILINE | re.DOTALL)
    assert re.findall(r"\n\n    \S.*", text) == []


def test_every_key_of_the_files_has_a_text_under_it_in_its_type() -> None:
    assert undescribed() == []


def test_the_notice_asks_for_the_same_in_every_language() -> None:
    _, *languages = re.split(r"\n\n\n", (ROOT / "deploy/notice-for-visitors.txt").read_text(encoding="utf-8"))
    assert len(languages) == 6
    for text in languages:
        assert len(re.findall(r"\[[^]]+\]", text)) == 4, text
        assert len(re.findall("microphone|Mikrofon|microfono|micrófono|microfoon", text)) == 1, text


@pytest.mark.parametrize("document", DOCUMENTS, ids=lambda path: path.name)
def test_files_that_the_documents_name_are_there(document: Path) -> None:
    text = document.read_text(encoding="utf-8")
    linked = [document.parent / target for target in re.findall(r"\]\(([^)#:]+)(?:#[^)]*)?\)", text)]
    named = [ROOT / path for path in re.findall(r"`((?:deploy|archives|residue|tests)/[\w./-]+)`", text)]
    assert [path for path in linked + named if not path.exists()] == []


@pytest.mark.parametrize("document", DOCUMENTS, ids=lambda path: path.name)
def test_links_within_and_between_the_documents_lead_to_a_heading(document: Path) -> None:
    """An anchor is the heading in lower case, without punctuation, blanks as hyphens (common practice, no source)."""
    links = re.findall(r"\]\(([^)#:]*)#([^)]*)\)", document.read_text(encoding="utf-8"))
    for target, anchor in links:
        path = document.parent / target if target else document
        headings = re.findall(r"^#+ (.*)$", path.read_text(encoding="utf-8"), re.MULTILINE)
        assert anchor in {re.sub(r"[^\w\- ]", "", heading.lower()).replace(" ", "-") for heading in headings}


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
