"""Whether a person started the program, or a machine did: a power cut, a watchdog, a service manager.

A person is there who types at a terminal, and who starts again what was ended on purpose since the machine started, as
`systemctl restart` does. After a start of the machine, a kill or a failure nobody need be there.
"""

from __future__ import annotations

import logging
from pathlib import Path

logger = logging.getLogger(__name__)


def by_person(note: Path | None, *, terminal: bool) -> bool:
    """Whether a person started this run; uses up the note of an end. terminal: standard input is one."""
    try:
        if note is not None:
            note.unlink()
            return True
    except OSError:  # most often there is none
        pass
    return terminal


def note_end(note: Path | None) -> None:
    """Note that this run ends on purpose: by a signal, or after the time that was asked for."""
    try:
        if note is not None:
            note.parent.mkdir(parents=True, exist_ok=True)
            note.touch()
    except OSError as error:
        logger.warning("It cannot be noted that the program ended on purpose: %s", error)
