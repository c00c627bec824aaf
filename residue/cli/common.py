"""Shared by the commands: arguments, progress, and error messages."""

from __future__ import annotations

import json
import os
import sys
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from datetime import date, datetime
from math import isfinite
from pathlib import Path
from typing import Any

import click

from residue.cli.screen import say
from residue.control.settings import DEFAULT_PORT
from residue.problems import Finding, ProblemError, Severity, escaped
from residue.progress import Progress

INSTALLATION = click.argument("installation", type=click.Path(path_type=Path))
STATE = click.option(
    "--state",
    type=click.Path(path_type=Path),
    show_default="~/.local/state/residue",
    help="Folder of the level log and the memory.",
)
AS_JSON = click.option("--json", "as_json", is_flag=True, help="Print one JSON object and nothing else.")


MOST_DAYS = 3_660
"""Ten years: more than any season, and still fast enough."""


class _Day(click.ParamType[date]):
    """A day in a plausible century."""

    name = "date"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> date:
        """Converts text; raises click.BadParameter where it is not a day."""
        try:
            day = datetime.strptime(value, "%Y-%m-%d").date()  # noqa: DTZ007 - a day has no zone
        except ValueError:
            self.fail(f"'{value}' is not a date. Write year-month-day, such as 2026-03-02.", param, ctx)
        if not 2000 <= day.year < 2100:
            self.fail(f"{value} is out of range. Write a day from 2000-01-01 to 2099-12-31.", param, ctx)
        return day


class FiniteRange(click.FloatRange):
    """A finite number within bounds."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """Converts text; raises click.BadParameter where it is not such a number."""
        number = super().convert(value, param, ctx)
        if not isfinite(number):
            self.fail(f"{value} is not a finite number.", param, ctx)
        return number


class _FileEnding(click.Path):
    """A file to write, in the format of its name's ending."""

    def __init__(self, *endings: str) -> None:
        super().__init__(path_type=Path, dir_okay=False)
        self._endings = endings

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """Converts text; raises click.BadParameter where the ending names another format, or none."""
        path = Path(os.fsdecode(super().convert(value, param, ctx)))
        if path.suffix.lower() not in self._endings:
            self.fail(f"'{value}' does not end in {' or '.join(self._endings)}.", param, ctx)
        return path


DAY = _Day()
TIME_S = FiniteRange(min=0)
LASTING_S = FiniteRange(min=0, min_open=True)
PICTURE, SVG = _FileEnding(".png", ".svg"), _FileEnding(".svg")
WAV, ZIP = _FileEnding(".wav"), _FileEnding(".zip")


def check_days(first: date, last: date) -> None:
    """Raises click.UsageError where `--from` and `--to` are not a valid range of days."""
    if last < first:
        raise click.UsageError(f"--to {last} lies before --from {first}.")
    if (last - first).days >= MOST_DAYS:
        raise click.UsageError(f"From {first} to {last} are more than {MOST_DAYS} days. Name fewer.")


def host_and_port(at: str) -> tuple[str, int]:
    """The address and port of HOST:PORT. Raises click.UsageError."""
    host, _, port = at.rpartition(":")
    if not host or not port.isdigit():
        raise click.UsageError(f"--at {at} is not HOST:PORT, such as 127.0.0.1:{DEFAULT_PORT}.")
    return host, int(port)


class Group(click.Group):
    """The commands; faults are reported without a traceback, with exit status 1."""

    def invoke(self, ctx: click.Context) -> Any:
        """Runs the command."""
        try:
            return super().invoke(ctx)
        except ProblemError as error:
            problem = error
        except OSError as error:
            if error.filename is None:  # a closed reader, which click knows, or a fault of ours
                raise
            from residue.archive.beside import disk_problem

            problem = disk_problem(Path(os.fsdecode(error.filename)), error)
        # Warnings beside them are for `residue check`, which says which of them stops the house.
        tell([one for one in problem.findings if one.severity is Severity.STOPS] or problem.findings)
        raise click.exceptions.Exit(1)

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """Lists the whole first paragraph of each command; click would shorten it."""
        with formatter.section("Commands"):
            told = {name: (command.help or "").split("\n\n")[0] for name, command in self.commands.items()}
            formatter.write_dl([(name, " ".join(words.split())) for name, words in told.items()])

    def list_commands(self, ctx: click.Context) -> list[str]:
        """The commands in the order of use."""
        return list(self.commands)


def tell(findings: Iterable[Finding]) -> None:
    """Prints findings on standard error, one a line."""
    for finding in findings:
        say(str(finding), err=True)


def print_json(value: Mapping[str, Any]) -> None:
    """Prints one object on standard output."""
    click.echo(escaped(json.dumps(value, indent=2, ensure_ascii=False, allow_nan=False)))


@contextmanager
def progress(label: str) -> Iterator[Progress]:
    """Shows a progress bar on standard error for the work within, as wide as the terminal allows."""
    with click.progressbar(length=1, label=label, file=sys.stderr, width=0, item_show_func=lambda what: what) as bar:

        def told(what: str, done: int, total: int) -> None:
            bar.length = max(total, 1)
            if done < bar.pos:  # the next work begins at 0 again
                bar.pos = 0
            bar.finished = False  # else the bar would stay full after the first work
            bar.update(done - bar.pos, what)

        yield told
        bar.update((bar.length or 1) - bar.pos)
