"""What the commands share: arguments, progress, and the way errors reach a person."""

from __future__ import annotations

import json
import sys
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import click

from residue.problems import Finding, ProblemError
from residue.progress import Progress

INSTALLATION = click.argument("installation", type=click.Path(path_type=Path))
AS_JSON = click.option("--json", "as_json", is_flag=True, help="Print one JSON object and nothing else.")


class Group(click.Group):
    """The commands; what is wrong is told as it stands, without a traceback, with exit status 1."""

    def invoke(self, ctx: click.Context) -> Any:
        """Run the command that was named."""
        try:
            return super().invoke(ctx)
        except ProblemError as error:
            tell(error.findings)
            ctx.exit(1)

    def list_commands(self, ctx: click.Context) -> list[str]:
        """In the order in which a person meets them."""
        return list(self.commands)


def tell(findings: Iterable[Finding]) -> None:
    """Findings on standard error, one a line."""
    for finding in findings:
        click.echo(str(finding), err=True)


def print_json(value: Mapping[str, Any]) -> None:
    """One object on standard output."""
    click.echo(json.dumps(value, indent=2, ensure_ascii=False, allow_nan=False))


@contextmanager
def progress(label: str) -> Iterator[Progress]:
    """A bar on standard error for the work within, shown once the work has gone on for a while."""
    with click.progressbar(length=1, label=label, file=sys.stderr, item_show_func=lambda what: what) as bar:

        def told(what: str, done: int, total: int) -> None:
            bar.length = max(total, 1)
            if done < bar.pos:  # the next piece of work counts from its own beginning
                bar.pos = 0
            bar.update(done - bar.pos, what)

        yield told
