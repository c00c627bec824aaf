"""What a terminal knows of the commands, read by the programs that will read it."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from deploy.terminal import COMPLETIONS, MANUAL, completion, manual
from residue.cli import main

ROOT = Path(__file__).parents[2]


def rendered(page: str) -> tuple[str, str]:
    """As groff shows it, without bold and underline; and what groff finds wrong with it."""
    shown = subprocess.run(
        ["groff", "-man", "-Tascii", "-P-c", "-P-b", "-P-u", "-ww", "-rLL=200n"],
        input=page,
        capture_output=True,
        text=True,
        check=True,
    )
    return shown.stdout, shown.stderr


def test_the_manual_names_every_command_and_option_as_it_is_typed() -> None:
    text, wrong = rendered(manual())
    assert wrong == ""
    for name, command in main.commands.items():
        assert f"residue {name} " in text
        for option in command.params:
            assert all(word in text for word in option.opts if word.startswith("--"))


def test_whoever_writes_the_manual_can_ask_for_help_with_h_afterwards() -> None:
    """A command keeps the help option that it was first asked for."""
    program = "from deploy.terminal import manual; manual(); from residue.cli import main; main(['status', '-h'])"
    asked = subprocess.run([sys.executable, "-c", program], cwd=ROOT, capture_output=True, text=True, check=False)
    assert asked.returncode == 0, asked.stderr


def test_the_marks_that_click_reads_are_not_shown() -> None:
    text, _ = rendered(manual())
    assert "Example: residue status" in text
    assert "\b" not in manual()


@pytest.mark.parametrize("words", [("residue", "repo"), ("residue", "check", "--pict")])
def test_bash_completes_a_command_and_an_option(tmp_path: Path, words: tuple[str, ...]) -> None:
    """In a bash that has read the script, as bash-completion does at the first Tab."""
    (tmp_path / "residue").write_text(f'#!/bin/sh\nexec {sys.executable} -m residue "$@"\n')
    (tmp_path / "residue").chmod(0o755)
    asked = f"COMP_WORDS=({' '.join(words)}); COMP_CWORD={len(words) - 1}; _residue_completion residue"
    answered = subprocess.run(
        ["bash", "--norc", "-c", f"{completion('bash')}\n{asked}; echo ${{COMPREPLY[@]}}"],
        env={"PATH": f"{tmp_path}:/usr/bin:/bin", "PYTHONPATH": str(ROOT)},
        capture_output=True,
        text=True,
        check=True,
    )
    assert answered.stdout.split() == [{"repo": "report", "--pict": "--picture"}[words[-1]]]


def test_all_of_it_goes_where_terminals_look(tmp_path: Path) -> None:
    subprocess.run([sys.executable, "-m", "deploy.terminal", str(tmp_path)], cwd=ROOT, check=True)
    written = {str(path.relative_to(tmp_path)) for path in tmp_path.rglob("*") if path.is_file()}
    assert written == {MANUAL, *COMPLETIONS.values()}
    install = (ROOT / "deploy" / "install").read_text(encoding="utf-8")
    assert [place for place in written if f'"$share/{place}"' not in install] == [], "removed again"
