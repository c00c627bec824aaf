"""Optional readers: libraries that only those install who need them."""

from __future__ import annotations

import importlib
import shlex
import sys
import warnings
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from residue.problems import stopping

MODULES: Mapping[str, str] = {
    "acq": "bioread",
    "eeg": "mne",
    "fit": "fitdecode",
    "hdf": "h5py",
    "m4a": "av",
    "wfdb": "wfdb",
    "xdf": "pyxdf",
}
"""The module of each extra of the package."""
FAULTS: tuple[type[Exception], ...] = (
    *(ValueError, TypeError, LookupError, OSError, EOFError, MemoryError, AttributeError, OverflowError),
)
"""What libraries raise on faulty files, beside errors of their own."""


@contextmanager
def faults_told(path: Path, faults: tuple[type[Exception], ...], what: str, mend: str) -> Iterator[None]:
    """Turns any of these exceptions of a library into a ProblemError. what: a sentence that the reason ends."""
    try:
        yield
    except faults as error:
        raise stopping(path.name, f"{what}: {reason_in_words(error)}.", mend) from error


def reason_in_words(error: Exception) -> str:
    """What an exception says in its first line, or else its name."""
    return (str(error).splitlines() or [""])[0][:120].rstrip(".") or type(error).__name__


@contextmanager
def without_warnings() -> Iterator[None]:
    """Hides warnings of a library that are for its own authors."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        yield


def install_command(module: str) -> str:
    """The line that installs a reader for the Python that runs now; its package has the name of its module."""
    return shlex.join([sys.executable, "-m", "pip", "install", module])


def extra(name: str, path: Path) -> Any:
    """The module of an extra; raises ProblemError, naming the extra, where it is not installed."""
    try:
        with without_warnings():
            return importlib.import_module(MODULES[name])
    except ImportError as error:
        what = "It needs a reader that is not installed here."
        raise stopping(path.name, what, f"Install it with: {install_command(MODULES[name])}") from error
