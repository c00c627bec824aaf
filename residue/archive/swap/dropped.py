"""Bags that a person drops into performances/ as NAME.now, NAME.at-rest or NAME.at-opening.

Such a bag stays where it is until the swap. It is never taken half-copied: it counts only if it has all files of its
manifests and no longer changes, and it is verified before the swap.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator
from contextlib import suppress
from datetime import UTC, datetime
from pathlib import Path

from residue.archive.bag import read_tags
from residue.archive.beside import telling
from residue.archive.swap.places import Candidate, Request, When
from residue.archive.tree import entries_below
from residue.problems import ProblemError, stopping

FolderState = tuple[tuple[str, int, int, int], ...]
"""For each file of a bag: its path within the bag, its identity, its size, and the time of its last change (ns)."""


def dropped(performances: Path, names: Collection[str]) -> Iterator[Candidate]:
    """The bags, complete or not, that people dropped to replace one of these performances; the most urgent first."""
    for when in When:
        for path in sorted(performances.glob(f"[!.]*.{when}")):
            name = path.name.removesuffix(f".{when}")
            if name in names:
                asked = datetime.fromtimestamp(path.lstat().st_ctime, UTC)  # a copy may keep the original's time
                yield Candidate(name=name, request=Request(when=when, bag=path.name, asked=asked), path=path)


def look(bag: Path) -> FolderState:
    """The state of a folder; it differs after any change in it. Follows no links. Never raises."""
    if bag.is_symlink():  # maybe to the whole disk
        return ()
    found = []
    with suppress(ProblemError, OSError):  # `lacking` says why it cannot be read
        for entry in entries_below(bag):
            with suppress(OSError):  # it disappeared after its folder was listed
                stat = entry.stat(follow_symlinks=False)
                name = str(Path(entry.path).relative_to(bag))
                found.append((name, stat.st_ino, stat.st_size, stat.st_mtime_ns))
    return tuple(sorted(found))


def lacking(bag: Path) -> str | None:
    """Names, in a few words, the files that the manifests list and the bag lacks; None when it is complete.

    Raises ProblemError where it is not a folder of its own in performances/, or cannot be read.
    """
    if bag.is_symlink():
        raise stopping(bag.name, "It is a link.", "Put the bag itself there.")
    with telling(bag):
        if not (bag / "bagit.txt").exists():
            return "bagit.txt"
        try:
            tags = read_tags(bag)
        except ProblemError as problem:  # it may still be copied
            return f"tag files that can be read. {problem.findings[0].what.removesuffix('.')}"
        missing = [name for name in sorted(tags.entries) if not (bag / name).is_file()]
        if missing:
            more = {0: "", 1: " and 1 more file"}.get(len(missing) - 1, f" and {len(missing) - 1} more files")
            return f"{missing[0]}{more}"
        declared = str(getattr(tags, "info", {}).get("Payload-Oxum", "")).partition(".")[0]
        held = sum(entry.stat().st_size for entry in entries_below(bag / "data") if entry.is_file())
        return f"{int(declared) - held} bytes" if declared.isdecimal() and held < int(declared) else None
