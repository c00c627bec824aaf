"""Swaps asked for at the control surface: brought to where they wait, one after the other, in another process."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from queue import Empty, SimpleQueue

from residue.archive.swap.asking import ask_back
from residue.archive.swap.candidate import When
from residue.installation.load import PERFORMANCES, Installation
from residue.problems import ProblemError, nearest
from residue.runtime.house.osc_handlers import SwapOrder
from residue.runtime.system.child_process import ChildProcess, ProcessStarter


@dataclass(frozen=True, slots=True)
class Asked:
    """A swap asked for at the control surface. bag: in the installation folder; None for the one before."""

    name: str
    when: When
    bag: Path | None
    at: datetime

    @property
    def what(self) -> str:
        """The two performances: the new one and the one that it replaces."""
        return f"{self.bag.name if self.bag else 'The one before'} in the place of {self.name}"


def checked(wish: SwapOrder, installation: Installation, at: datetime) -> Asked:
    """A wish that can be looked into. Raises ValueError, in a person's words: also for a way out of the folder."""
    names = installation.played
    if wish.performance not in names:
        raise ValueError(
            f'There is no performance "{wish.performance}" in the programme. {nearest(wish.performance, names)}'
        )
    if wish.when not in list(When):
        raise ValueError(f'"{wish.when}" is not a moment. Write one of: {", ".join(When)}.')
    if wish.bag is None:
        return Asked(wish.performance, When(wish.when), None, at)
    folder = installation.folder.resolve()
    bag = (folder / wish.bag).resolve()
    if not bag.is_relative_to(folder) or bag == folder:
        raise ValueError(f'"{wish.bag}" leaves the installation folder. Bring the bag into it, and name it from there.')
    if not _is_folder(bag):
        raise ValueError(f'There is no folder "{wish.bag}" in the installation folder.')
    return Asked(wish.performance, When(wish.when), bag, at)


def _is_folder(path: Path) -> bool:
    try:
        return path.is_dir()
    except OSError:  # a name that is too long, a folder that may not be looked into
        return False


class Stager:
    """Has them copied and verified, or notes down that the one before is wanted."""

    def __init__(self, folder: Path, errand: ProcessStarter) -> None:
        self._folder = folder
        self._errand = errand
        self._asked: SimpleQueue[Asked] = SimpleQueue()
        self._under_way: tuple[Asked, ChildProcess] | None = None

    def ask(self, asked: Asked) -> None:
        """Queues a request; any thread may call it."""
        self._asked.put(asked)

    def look(self) -> Iterator[tuple[Asked, str]]:
        """Those that never get to wait, and why."""
        if self._under_way is not None:
            yield from self._ended(*self._under_way)
        if self._under_way is None:
            with suppress(Empty):
                yield from self._begun(self._asked.get_nowait())

    @property
    def told(self) -> Sequence[dict[str, str | None]]:
        """The copy under way, for the status."""
        if self._under_way is None:
            return ()
        asked = self._under_way[0]
        bag = asked.bag.name if asked.bag else None
        return ({"performance": asked.name, "bag": bag, "when": asked.when, "state": "being copied", "why": None},)

    def end(self) -> None:
        """Stop what is being worked on."""
        if self._under_way is not None:
            self._under_way[1].end()

    def _begun(self, asked: Asked) -> Iterator[tuple[Asked, str]]:
        if asked.bag is not None:
            words = [str(self._folder), str(asked.bag), asked.name, asked.when]
            self._under_way = asked, self._errand("residue.runtime.swap.staging", words)
            return
        try:
            ask_back(self._folder / PERFORMANCES, asked.name, asked.when, asked.at)
        except ProblemError as error:
            yield asked, str(error)

    def _ended(self, asked: Asked, errand: ChildProcess) -> Iterator[tuple[Asked, str]]:
        if errand.status is None:
            return
        if errand.status != 0:
            yield asked, errand.complaint
        errand.end()
        self._under_way = None
