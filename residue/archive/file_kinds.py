"""The kinds of files of recordings, and the endings of their names."""

from __future__ import annotations

from collections.abc import Iterable
from enum import Enum
from pathlib import Path


class FileKind(Enum):
    """A kind of file. Its value: the endings of its names."""

    SOUND = (".wav", ".rf64", ".bwf", ".flac", ".aif", ".aiff")
    EDF = (".edf", ".bdf")
    WFDB = (".hea",)
    XDF = (".xdf",)
    BEATS = (".txt", ".rr", ".ibi")
    TABLE = (".csv", ".tsv")
    LOSSY = (".mp3", ".ogg", ".oga", ".opus", ".m4a", ".aac")
    ACTIVITY = (".tcx", ".fit")
    ACQ = (".acq",)
    EEG = (".vhdr",)
    GDF = (".gdf",)
    ARRAYS = (".npy", ".npz", ".mat", ".h5", ".hdf5")


_BY_ENDING = {ending: kind for kind in FileKind for ending in kind.value}


def kind_of_file(path: Path) -> FileKind | None:
    """The kind of a file by the ending of its name, in upper or lower case; None for an unknown ending."""
    return _BY_ENDING.get(path.suffix.lower())


def endings_of(kinds: Iterable[FileKind]) -> str:
    """The endings of some kinds, in words for people."""
    return ", ".join(sorted(ending for kind in kinds for ending in kind.value))
