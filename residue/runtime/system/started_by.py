"""Decides whether a person started the program, or a machine: after a power cut, by a watchdog or a service manager.

A person types at a terminal, or starts again a program that was ended on purpose since the machine started, as with
`systemctl restart`. After a start of the machine, a kill or a failure, nobody may be present.
"""

from __future__ import annotations

import logging
from pathlib import Path

logger = logging.getLogger(__name__)


def by_person(note: Path | None, *, terminal: bool) -> bool:
    """Whether a person started this run; uses up the note of an end. terminal: whether standard input is a terminal."""
    try:
        if note is not None:
            note.unlink()
            return True
    except OSError:  # usually there is none
        pass
    return terminal


def note_end(note: Path | None) -> None:
    """Notes that this run ends on purpose: by a signal, or after the requested time."""
    try:
        if note is not None:
            note.parent.mkdir(parents=True, exist_ok=True)
            note.touch()
    except OSError as error:
        logger.warning("It cannot be noted that the program ended on purpose: %s", error)
