"""A person in the first hour: types commands, and mends mistakes by what the message says, and by nothing else."""

from __future__ import annotations

import re
import shlex
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from click.testing import CliRunner

from residue.cli import main
from tests.runtime.running import AS_AT_A_TERMINAL

Edit = Callable[[str, re.Match[str]], str]


def _replaced(text: str, match: re.Match[str]) -> str:
    """The text with the wrong word replaced by the right one, wherever it stands as a word."""
    wrong, right = match["wrong"].rpartition(".")[2], match["right"]  # of the path of a key, its name
    changed, count = re.subn(rf"(?<![\w-]){re.escape(wrong)}(?![\w-])", lambda _: right, text, flags=re.IGNORECASE)
    assert count, f"{wrong} does not stand in the file that the message names"
    return changed


def _date_rewritten(text: str, match: re.Match[str]) -> str:
    """The date of that line, which a person knows, in the form of the example."""
    day, month, year = re.findall(r"\d+", match["wrong"])
    assert re.fullmatch(r"\d{4}-\d{2}-\d{2}", match["right"])
    return text.replace(match["wrong"], f"{match['key']} = {year}-{month:0>2}-{day:0>2}")


def _line_out(text: str, match: re.Match[str]) -> str:
    """The text without the tables and keys that the message lists."""
    for name in re.split(r", | and ", match["wrong"]):
        text = re.sub(rf"^\[+{name}\]+.*\n(?:[^\[\n].*\n)*", "", text, flags=re.MULTILINE)
        text = re.sub(rf"^{name} = .*\n", "", text, flags=re.MULTILINE)
    return text


def _value_written(text: str, match: re.Match[str]) -> str:
    """The value at a key path, replaced by the least that the message allows."""
    key = match["key"].rpartition(".")[2]
    changed, count = re.subn(rf"^{key} = {re.escape(match['wrong'])}\b", f"{key} = {match['right']}", text, flags=re.M)
    assert count == 1
    return changed


def _quotes_off(text: str, match: re.Match[str]) -> str:
    """A number in quotes, as a number."""
    assert match["right"] == "a number"
    return text.replace(match["wrong"], match["wrong"].strip('"'))


_NAME = r"[\w.-]+"
MENDS: list[tuple[str, Edit]] = [
    (r": (?P<wrong>\w+): [^.]*\. Take the line (?P<right>out)\.", _line_out),
    (rf"(?P<wrong>{_NAME}): This key is not known here\. Did you mean (?P<right>{_NAME})\?", _replaced),
    (rf'"(?P<wrong>[^"]+)"[^"]*\. Did you mean (?P<right>{_NAME})\?', _replaced),
    (r"'(?P<wrong>[^']+)' is not a time zone [^.]*\. Did you mean (?P<right>[\w/]+)\?", _replaced),
    (r'"(?P<wrong>[^"]+)"[^"]*\. Write one of: (?P<right>[\w-]+)\.', _replaced),
    (
        r"'(?P<wrong>(?P<key>\w+) = [\d.]+)' is not valid TOML\. Write a date [^,]*, such as (?P<right>\S+)\.",
        _date_rewritten,
    ),
    (r"Leave (?P<wrong>[\w, ]+) out of (?P<right>hours\.toml)", _line_out),
    (r'says "(?P<wrong>[^"]+)", which is not understood\. Write the level as (?P<right>[^,]+),', _replaced),
    (r'"(?P<wrong>[^"]+)" is nearly "[^"]+"\. Write (?P<right>\w+) or', _replaced),
    (
        r"(?P<key>\S+): (?P<wrong>-?[\d.]+) is not allowed here\. Write a \D*of at least (?P<right>[\d.]+)\.",
        _value_written,
    ),
    (r'(?P<wrong>"\d+") is not allowed here\. Write (?P<right>a number)\.', _quotes_off),
]
"""How a message names what is wrong and what is right, and how a person writes that down."""


def mended(text: str, message: str) -> str:
    """The text of a file after one message. A message without a usable mend fails."""
    for pattern, edit in MENDS:
        if match := re.search(pattern, message):
            return edit(text, match)
    raise AssertionError(f"This message does not say what to write instead: {message}")


class Person:
    """Somebody in a folder, with commands that are typed there."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    def types(self, command: str, *, status: int | None = 0) -> str:
        """All that a command shows; it must end with that exit status, if one is given."""
        done = CliRunner().invoke(main, shlex.split(command)[1:])
        assert status in (None, done.exit_code), f"{command}\n{done.output}"
        assert "Traceback" not in done.output
        return done.output

    def writes(self, file: str, *changes: tuple[str, str]) -> None:
        """Changes a file in an editor: each text stands in it once."""
        text = self.reads(file)
        for before, after in changes:
            assert text.count(before) == 1, f"{before} stands {text.count(before)} times in {file}"
            text = text.replace(before, after)
        (self.folder / file).write_text(text, encoding="utf-8", newline="")

    def reads(self, file: str) -> str:
        return (self.folder / file).read_bytes().decode()

    def mends(self, installation: str, shown: str) -> list[str]:
        """Does what each message of a command says, in the file that it names; gives the messages."""
        return self._mends(installation, shown.splitlines())

    def mends_note(self, installation: str, shown: str, about: str) -> None:
        """Does what a note of the check says, which stops nothing."""
        (note,) = (line.removeprefix("notes  ") for line in shown.splitlines() if about in line)
        self._mends(installation, [note])

    def _mends(self, installation: str, lines: list[str]) -> list[str]:
        found = [match for line in lines if (match := _MESSAGE.search(line))]
        assert found, lines
        for match in found:
            file, message = f"{installation}/{match['file']}", match.string
            (self.folder / file).write_text(mended(self.reads(file), message), encoding="utf-8", newline="")
        return [match.string for match in found]


_MESSAGE = re.compile(r"(?:^|^stops  |^stops .* in )(?P<file>[\w.-]+\.(?:toml|ics))(?:: |, or)")
"""A message, with the file that it is about: the one where the fault is, or where the mend is to be written."""


@contextmanager
def running_house(installation: str, *options: str) -> Iterator[subprocess.Popen[bytes]]:
    """A house that runs within the context, as its service would."""
    command = [*AS_AT_A_TERMINAL, sys.executable, "-m", "residue", "run", installation, *options]
    with subprocess.Popen(command, stdin=subprocess.DEVNULL) as house:
        try:
            yield house
        finally:
            house.terminate()
