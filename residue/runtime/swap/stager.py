"""Swaps from the control surface: copies the bags to their waiting place, one after the other, in another process.

    python -m residue.runtime.swap.stager INSTALLATION BAG NAME WHEN

is that process. If a bag cannot be accepted, the reason goes to standard error, with exit status 1.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import suppress
from datetime import datetime
from pathlib import Path
from queue import Empty, SimpleQueue

from residue.archive.swap.asking import ask_back, stage
from residue.archive.swap.places import Candidate, Request, When, beside
from residue.installation.load import PERFORMANCES, Installation, graph_of
from residue.problems import ProblemError, nearest
from residue.processes import PLANS, give_way
from residue.runtime.house.osc_handlers import SwapOrder
from residue.runtime.system.child_process import ChildProcess, ProcessStarter
from residue.runtime.system.clock import SystemClock


def checked(wish: SwapOrder, installation: Installation, at: datetime) -> Candidate:
    """A request with valid names. Raises ValueError, in words for people: also for a path out of the folder."""
    names, name = installation.played, wish.performance
    if name not in names:
        raise ValueError(f'There is no performance "{name}" in the programme. {nearest(name, names)}')
    if wish.when not in list(When):
        raise ValueError(f'"{wish.when}" is not a moment. Write one of: {", ".join(When)}.')
    folder = installation.folder.resolve()
    if wish.bag is None:
        bag, called = beside(folder / PERFORMANCES, name, "before"), f"the one before {name}"
    else:
        bag = (folder / wish.bag).resolve()
        called = bag.name
        if not bag.is_relative_to(folder) or bag == folder:
            raise ValueError(
                f'"{wish.bag}" leaves the installation folder. Bring the bag into it, and name it from there.'
            )
        if not _is_folder(bag):
            raise ValueError(f'There is no folder "{wish.bag}" in the installation folder.')
    request = Request(when=When(wish.when), bag=called, asked=at, back=wish.bag is None)
    return Candidate(name=name, request=request, path=bag)


def _is_folder(path: Path) -> bool:
    try:
        return path.is_dir()
    except OSError:  # a name that is too long, a folder that may not be read
        return False


class Stager:
    """Copies and verifies bags, or notes the request for the version before."""

    def __init__(self, folder: Path, errand: ProcessStarter) -> None:
        self._folder = folder
        self._errand = errand
        self._asked: SimpleQueue[Candidate] = SimpleQueue()
        self._under_way: tuple[Candidate, ChildProcess] | None = None

    def ask(self, candidate: Candidate) -> None:
        """Queues a request; any thread may call it."""
        self._asked.put(candidate)

    @property
    def copying(self) -> Candidate | None:
        """The candidate that is being copied; None where there is none."""
        return self._under_way[0] if self._under_way else None

    def look(self) -> Iterator[tuple[Candidate, str]]:
        """The refused requests, each with the reason."""
        if self._under_way is not None:
            candidate, errand = self._under_way
            if errand.status is None:
                return
            if errand.status != 0:
                yield candidate, errand.complaint
            self.end()
        with suppress(Empty):
            candidate = self._asked.get_nowait()
            request = candidate.request
            if not request.back:
                words = [str(self._folder), str(candidate.path), candidate.name, request.when]
                self._under_way = candidate, self._errand(__name__, words)
                return
            try:
                ask_back(self._folder / PERFORMANCES, candidate.name, request.when, request.asked)
            except ProblemError as error:
                yield candidate, str(error)

    def end(self) -> None:
        """Ends the work in progress."""
        if self._under_way is not None:
            self._under_way[1].end()
            self._under_way = None


def main() -> None:
    """Copies a bag to its waiting place."""
    give_way(PLANS)
    folder, bag, name, when = sys.argv[1:5]
    try:
        needs = graph_of(Path(folder)).needs
        stage(Path(bag), Path(folder) / PERFORMANCES, name, When(when), needs, SystemClock().now())
    except ProblemError as error:
        sys.exit(str(error))


if __name__ == "__main__":
    main()
