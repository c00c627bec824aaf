"""`residue ready`: the morning check of a running house."""

from __future__ import annotations

import sys
import time
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import click

from residue.cli.house import AT, HOUSE, addressed
from residue.cli.screen import say

_LOOK_S = 0.3
_BEGINS_WITHIN_S = 5.0


@click.command()
@HOUSE
@AT
@click.option("--tones", is_flag=True, help="Let each output count its number, quietly, and ask whether it was heard.")
@click.pass_context
def ready(ctx: click.Context, installation: Path | None, at: str | None, tones: bool) -> None:
    """Say yes or no: whether the running house is ready for its opening.

    For the gallery technician, or for whoever unlocks the door. The exit status is 0 for yes. With --tones nothing may
    play; before the opening is a good time. Name the INSTALLATION for it, as it takes the key of its room.toml.

    \b
    Example: residue ready
    Example: residue ready --tones /srv/residue
    """
    from residue.control.query import status
    from residue.control.readiness import hours_in_words, obstacles

    host, port, key, meant = addressed(installation, at)
    told = status(host, port, meant)
    try:
        found = list(obstacles(told))
    except (KeyError, TypeError):
        found = ["The house runs another version than this command. Restart it: sudo systemctl restart residue."]
    if tones:
        found += _not_heard(host=host, port=port, key=key)
    say(f"No. {_told(told)}" if found else f"Yes. {_told(told)} {hours_in_words(told)}")
    for sentence in found:
        say(f"- {sentence}")
    ctx.exit(1 if found else 0)


def _told(told: Mapping[str, Any]) -> str:
    return f"{told.get('piece', 'The piece')}, {told.get('place', 'its room')}."


def _not_heard(*, host: str, port: int, key: str | None) -> list[str]:
    """Lets each output count its number; a sentence for each that was not heard."""
    from residue.control.query import status

    ends_s = time.monotonic() + _BEGINS_WITHIN_S
    while not (levels := status(host, port).get("levels")):  # they are there with the first block after a start
        if time.monotonic() >= ends_s:
            return ["No output counted: the house sends nothing to its device. Look at `residue status`."]
        time.sleep(_LOOK_S)
    return [
        f"{output} was not heard. Look at its amplifier and its cable."
        for output in levels["outputs"]
        if not _heard(output, host=host, port=port, key=key)
    ]


def _heard(output: str, *, host: str, port: int, key: str | None) -> bool:
    from residue.control.query import command, status

    say(f"{output} counts its number.")
    command("/house/tone", [output], host=host, port=port, key=key)
    time.sleep(_LOOK_S)
    while status(host, port)["tone"]:
        time.sleep(_LOOK_S)
    return not sys.stdin.isatty() or click.confirm(f"Did you hear {output}?", default=None)
