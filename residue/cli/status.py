"""`residue status`: what the running daemon does now."""

from __future__ import annotations

import click

from residue.cli.common import AS_JSON, host_and_port, print_json
from residue.control.settings import DEFAULT_PORT


@click.command()
@click.option("--at", default=f"127.0.0.1:{DEFAULT_PORT}", show_default=True, metavar="HOST:PORT")
@AS_JSON
def status(at: str, as_json: bool) -> None:
    """Say what the running daemon does now.

    For the gallery technician, and for whoever is asked why it is quiet.

    \b
    Example: residue status
    """
    from residue.control.query import in_words
    from residue.control.query import status as ask

    told = ask(*host_and_port(at))
    if as_json:
        print_json(told)
        return
    for line in in_words(told):
        click.echo(line)
