"""The notices of a running house: a messenger for each, and the child that makes the line about a day."""

from __future__ import annotations

import subprocess
from collections.abc import Callable, Sequence
from datetime import date
from pathlib import Path

from residue.installation.load import Installation
from residue.notices.bulletin import NoticeError
from residue.notices.ledger import Wishes
from residue.notices.messenger import Facts, Messenger
from residue.notices.settings import AnyNotice
from residue.processes import command_of
from residue.runtime.planning.planning import sources
from residue.runtime.system.clock import Clock
from residue.runtime.system.files import replace_file

DAY_LINE_S = 300.0
"""The longest time for a line about a day, on a slow card."""


class Notices:
    """Sends notices to all recipients in room.toml, without waiting for a network or a disk.

    in_force: gives the installation; it is called each time. log: the file of the level log. happened: writes into the
    event log: kind, text.
    """

    def __init__(
        self,
        in_force: Callable[[], Installation],
        state: Path,
        log: Path,
        clock: Clock,
        happened: Callable[[str, str], None],
    ) -> None:
        def day_line(day: date) -> str:
            return _line_by_child([*sources(in_force()), str(log), day.isoformat()])

        self._messengers = [
            Messenger(
                notice,
                wishes_of(notice),
                state / f"notice-{notice.name}.json",
                now=clock.now,
                day_line=day_line,
                happened=happened,
                replace_file=replace_file,
            )
            for notice in in_force().room.notice
        ]

    def start(self) -> None:
        """Begin."""
        for messenger in self._messengers:
            messenger.start()

    def tell(self, facts: Facts) -> None:
        """Passes the present facts on."""
        for messenger in self._messengers:
            messenger.tell(facts)

    def end(self) -> None:
        """Ends sending; waiting messages are sent after the next start."""
        for messenger in self._messengers:
            messenger.end()


def wishes_of(notice: AnyNotice) -> Wishes:
    """The recipient's wishes."""
    return Wishes(
        faults=notice.faults,
        daily_at=notice.daily_time(),
        after_s=notice.after_s,
        at_most_every_s=notice.at_most_every_s,
    )


def _line_by_child(arguments: Sequence[str]) -> str:
    command = command_of("residue.runtime.report.day_line", arguments)
    try:
        done = subprocess.run(command, stdin=subprocess.DEVNULL, capture_output=True, timeout=DAY_LINE_S, check=False)
    except (subprocess.TimeoutExpired, OSError) as error:
        raise NoticeError("Its log could not be read in time.") from error
    if done.returncode != 0:
        said = done.stderr.decode(errors="replace").strip().splitlines()
        raise NoticeError(said[-1] if said else "Its log cannot be read.")
    return done.stdout.decode().strip()
