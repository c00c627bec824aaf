"""`residue hold`, `release`, `trim` and `next`: a person's wishes to the running house."""

from __future__ import annotations

from pathlib import Path
from typing import NamedTuple

import click

from residue.cli.common import LASTING_S, FiniteRange, host_and_port
from residue.cli.screen import say
from residue.control.settings import DEFAULT_PORT, ControlSettings

HOUSE = click.argument("installation", required=False, type=click.Path(path_type=Path))
AT = click.option(
    "--at",
    metavar="HOST:PORT",
    show_default=f"as in room.toml, else 127.0.0.1:{DEFAULT_PORT}",
    help="Where the house listens.",
)


@click.command()
@HOUSE
@AT
@click.option(
    "--for-s", type=LASTING_S, metavar="S", show_default="until the release", help="End after so many seconds."
)
def hold(installation: Path | None, at: str | None, for_s: float | None) -> None:
    """Fade the running house to silence, for a speech say, and keep it silent.

    It stays silent through closings and restarts, until `residue release` or the end of --for-s. Name the
    INSTALLATION where its room.toml has a key or another port.

    \b
    Example: residue hold --for-s 1200
    """
    if for_s is None:
        _send(installation, at, "/house/hold")
        say("`residue release` ends this.")
        return
    _send(installation, at, "/house/hold/for", for_s)
    say("`residue release` ends this earlier.")


@click.command()
@HOUSE
@AT
def release(installation: Path | None, at: str | None) -> None:
    """End a hold: the house follows its hours again.

    \b
    Example: residue release
    """
    _send(installation, at, "/house/release")


@click.command(context_settings={"ignore_unknown_options": True})
@click.argument("db", type=FiniteRange(-40.0, 0.0))
@HOUSE
@AT
def trim(db: float, installation: Path | None, at: str | None) -> None:
    """Lower the running house by so many dB, from 0 to -40. It never gets louder than planned.

    The trim stays until somebody sets another. 0 takes it away.

    \b
    Example: residue trim -6
    """
    _send(installation, at, "/house/trim", db)


@click.command()
@HOUSE
@AT
def next_(installation: Path | None, at: str | None) -> None:
    """End the rest, or skip the performance that plays now.

    \b
    Example: residue next
    """
    _send(installation, at, "/house/next")


next_.name = "next"


def _send(installation: Path | None, at: str | None, path: str, *arguments: float) -> None:
    """Sends a command, and says what the house answers."""
    from residue.control.query import command, status

    host, port, key, meant = addressed(installation, at)
    if meant is not None:
        status(host, port, meant)  # raises where another house would be sent this
    say(command(path, arguments, host=host, port=port, key=key))


class HouseAddress(NamedTuple):
    """Where a running house listens, and the key of its room.toml.

    meant: the folder of its installation, if it must be that one. Where a person says where it listens, it need not.
    """

    host: str
    port: int
    key: str | None
    meant: Path | None


def addressed(installation: Path | None, at: str | None) -> HouseAddress:
    """Where the running house listens, by the room.toml of its installation where one is named.

    Raises ProblemError where room.toml cannot be read, and `at` does not tell where the house listens either.
    """
    settings = ControlSettings() if installation is None else _settings(installation, needed=at is None)
    host, port = (_reachable(settings.listen), settings.port) if at is None else host_and_port(at)
    return HouseAddress(host, port, settings.key, installation if at is None else None)


_REACHED_BY = ("listen", "port", "key")


def _settings(installation: Path, *, needed: bool) -> ControlSettings:
    """What can be read of the control table: a slip elsewhere in room.toml must not keep a person from the house."""
    from residue.checking import check, read_toml
    from residue.installation.load import ROOM
    from residue.problems import Finding, ProblemError, Severity

    raw, findings = read_toml(installation / ROOM)
    if findings and needed:
        what, mend = (
            "So it is not known where its house listens.",
            f"Mend that, or add --at 127.0.0.1:{DEFAULT_PORT}, or its own port.",
        )
        raise ProblemError([*findings, Finding(Severity.STOPS, str(installation), what, mend)])
    table = raw.get("control", {})
    named = {key: table[key] for key in _REACHED_BY if key in table} if isinstance(table, dict) else {}
    good = {key: value for key, value in named.items() if check({key: value}, ControlSettings, ROOM)[0]}
    return check(good, ControlSettings, ROOM)[0] or ControlSettings()


def _reachable(listen: str) -> str:
    """The address under which this machine reaches a house that listens at all addresses."""
    return {"0.0.0.0": "127.0.0.1", "::": "::1"}.get(listen, listen)  # noqa: S104 - nothing is bound here
