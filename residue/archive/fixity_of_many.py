"""Fixity of a whole folder of bags, several at a time."""

from __future__ import annotations

import multiprocessing
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor, as_completed
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass
from pathlib import Path

from residue.archive.bag import ALGORITHM
from residue.archive.fixity import is_valid, verify
from residue.problems import Finding, Severity, stopping
from residue.processes import end_with_parent


@dataclass(frozen=True)
class BagVerdict:
    """The result of verifying one bag; where `unknown`, the process that read it was killed."""

    bag: Path
    findings: tuple[Finding, ...] = ()
    unknown: bool = False

    @property
    def valid(self) -> bool:
        """Whether it is known to be complete and unchanged."""
        return not self.unknown and is_valid(list(self.findings))

    @property
    def spoilt(self) -> bool:
        """Whether it is known to be not as it was sealed."""
        return not self.unknown and not self.valid

    def __str__(self) -> str:
        """One line for a person."""
        if self.unknown:
            return f"{self.bag.name}: not known: Its process was killed. Verify it alone, with more memory free."
        if not self.findings:
            return f"{self.bag.name}: complete and unchanged"
        first, *others = sorted(self.findings, key=lambda finding: list(Severity).index(finding.severity))
        more = f" (and {len(others)} more)" if others else ""
        return f"{self.bag.name}: {'NOT as it was sealed' if not self.valid else 'unchanged, but'}: {first.what}{more}"


_TAG_FILES = ("bagit.txt", "bag-info.txt", f"manifest-{ALGORITHM}.txt", f"tagmanifest-{ALGORITHM}.txt")


def find_bags(folder: Path) -> list[Path]:
    """The bags in a folder, at any depth but not within each other; no work in progress.

    A bag without its bagit.txt still counts if it has other tag files. Raises ProblemError where there is none.
    """
    if not folder.is_dir():
        raise stopping(str(folder), "There is no such folder.", "Name the folder that holds the bags.")
    bags: list[Path] = []
    folders = [folder]
    while folders:
        place = folders.pop()
        if any((place / name).is_file() for name in _TAG_FILES):
            bags.append(place)
        else:
            inner = (path for path in place.iterdir() if path.is_dir() and not path.is_symlink())
            folders += [path for path in inner if not path.name.startswith(".")]
    if not bags:
        raise stopping(str(folder), "There is no bag in it.", "Name the folder that holds the bags.")
    return sorted(bags)


def verify_all(bags: list[Path], processes: int | None = None) -> Iterator[BagVerdict]:
    """The verdict on each bag, as soon as it is known.

    processes: if not given, as many as the machine has cores. One that is killed, for want of memory say, takes the
    verdicts of the others with it. So what is left then is read again, each bag in a process of its own.
    """
    left = []
    with _pool(processes) as pool:
        asked = {pool.submit(_verdict, bag): bag for bag in bags}
        for answer in as_completed(asked):
            try:
                yield answer.result()
            except BrokenProcessPool:
                left.append(asked[answer])
    for bag in left:
        with _pool(1) as pool:
            try:
                yield pool.submit(_verdict, bag).result()
            except BrokenProcessPool:
                yield BagVerdict(bag, unknown=True)


def _pool(processes: int | None) -> ProcessPoolExecutor:
    # Spawned, not forked, because the house that calls this may have threads.
    return ProcessPoolExecutor(processes, multiprocessing.get_context("spawn"), end_with_parent)


def _verdict(bag: Path) -> BagVerdict:
    return BagVerdict(bag, tuple(verify(bag)))
