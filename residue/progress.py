"""How long work tells how far it has come."""

from __future__ import annotations

from typing import Protocol


class Progress(Protocol):
    """Called now and then with the name of the work and the share that is done. May raise to stop the work."""

    def __call__(self, what: str, done: int, total: int) -> None:
        """what: for a person, such as a file's name; done and total: in any unit, done <= total."""


def silent(what: str, done: int, total: int) -> None:
    """Reports no progress."""
