"""How long work tells how far it has come."""

from __future__ import annotations

from typing import Protocol


class Progress(Protocol):
    """Told now and then: what is being worked on, and how much of all the work is done. May raise to stop the work."""

    def __call__(self, what: str, done: int, total: int) -> None:
        """what: for a person, such as a file's name; done and total: in any unit, done <= total."""


def silent(what: str, done: int, total: int) -> None:
    """Reports no progress."""
