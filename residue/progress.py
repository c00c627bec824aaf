"""Reports the progress of long work."""

from __future__ import annotations

from typing import Protocol


class Progress(Protocol):
    """A function that is called from time to time with the name of the work and the finished share.

    May raise to stop the work.
    """

    def __call__(self, what: str, done: int, total: int) -> None:
        """what: for a person, such as a file's name; done and total: in any unit, done <= total."""


def silent(what: str, done: int, total: int) -> None:
    """Reports no progress."""
