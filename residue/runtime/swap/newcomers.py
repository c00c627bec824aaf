"""Bags that are put into performances/ while the house runs, without a word whose place they take."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path

from residue.archive.swap.candidate import When
from residue.archive.swap.dropped import FolderState, lacking, look
from residue.problems import ProblemError, nearest


class Newcomers:
    """Tells once of each, when it is whole and nobody changes it any more, what can be done with it."""

    def __init__(self, performances: Path, settled_s: float) -> None:
        self._performances = performances
        self._settled_s = settled_s
        self._known = self._there()
        self._arriving: dict[str, tuple[FolderState, float]] = {}

    def look(self, programme: Sequence[str], now_s: float) -> Iterator[str]:
        """News about dropped bags. now_s: monotonic."""
        there = self._there()
        self._known &= there
        for name in sorted(there - self._known - {f"{one}.{when}" for one in programme for when in When}):
            bag = self._performances / name
            seen, (before, since_s) = look(bag), self._arriving.get(name, ((), now_s))
            if seen != before:
                self._arriving[name] = seen, now_s
            elif now_s - since_s >= self._settled_s and _whole(bag):
                self._known.add(name)
                yield _told(name, programme)
        self._arriving = {name: one for name, one in self._arriving.items() if name in there - self._known}

    def _there(self) -> set[str]:
        return {path.name for path in self._performances.glob("[!.]*") if path.is_dir()}


def _whole(bag: Path) -> bool:
    try:
        return lacking(bag) is None
    except ProblemError:
        return False


def _told(name: str, programme: Sequence[str]) -> str:
    stem, _, when = name.rpartition(".")
    if when in list(When):
        return f'{name}: there is no performance "{stem}" in the programme. {nearest(stem, programme)}'
    return (
        f"{name} is complete in performances/, but replaces no performance. "
        f"Rename it, such as to {programme[0]}.at-rest, to have it take the place of {programme[0]}; "
        "or write it into the programme of hours.toml."
    )
