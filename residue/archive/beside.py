"""Writes files and folders whole: beside the place, onto the disk, then renamed, so that no half remains."""

from __future__ import annotations

import errno
import fcntl
import os
import secrets
import shutil
import stat
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from residue.problems import ProblemError, stopping

PREFIX = ".making-"
"""Names of unfinished files and folders begin with this; after an interruption they may be removed."""


@contextmanager
def file_beside(path: Path, new_mode: int | None = 0o644) -> Iterator[Path]:
    """A temporary path in the same folder; when the block ends without an error, the file moves to `path`.

    The new file keeps the owner and the mode of the old one: a key in it stays secret, and its writer may still write
    it. new_mode: the mode of a file that is new; None for that of the umask.
    """
    with telling(path):
        path.parent.mkdir(parents=True, exist_ok=True)
        before = path.stat() if path.exists() else None
        mode = new_mode if before is None else stat.S_IMODE(before.st_mode)
        temporary = path.with_name(f"{PREFIX}{secrets.token_hex(8)}{path.suffix}")
        os.close(os.open(temporary, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o666 if mode is None else 0o600))
        try:
            yield temporary
            if mode is not None:
                temporary.chmod(mode)
            if before is not None:
                with suppress(PermissionError):  # only root may change the owner
                    os.chown(temporary, before.st_uid, before.st_gid)
            onto_disk(temporary)
            temporary.replace(path)
            onto_disk(path.parent)
        finally:
            temporary.unlink(missing_ok=True)


@contextmanager
def own_file_beside(path: Path) -> Iterator[Path]:
    """`file_beside` for a file that is the program's own: a folder in its place is removed."""
    with telling(path):
        clear_folder(path)
        with file_beside(path) as making:
            yield making


@contextmanager
def asked_for(path: Path) -> Iterator[Path]:
    """A path to write the file that a person named; afterwards there is the whole new file, or still the old one.

    A missing folder is a mistake of the person, and is not made. A pipe or device is written directly. The umask
    decides who may read a new file, because it may contain data of a body.
    """
    with telling(path):
        if path.exists() and not path.is_file():
            yield path
            return
        path = path.resolve()  # a link stays a link, and its target is written
        path.parent.stat()
        with file_beside(path, new_mode=None) as making:
            yield making


@contextmanager
def folder_beside(path: Path) -> Iterator[Path]:
    """A temporary folder beside `path`, which must not exist; when the block ends without an error, it moves to `path`.

    The umask decides who may open it, as for the files in it.
    """
    with telling(path):
        if path.exists():
            raise stopping(str(path), "Something exists there already.", "Choose another name, or move it away.")
        path.parent.mkdir(parents=True, exist_ok=True)
        temporary = path.with_name(f"{PREFIX}{secrets.token_hex(8)}")
        temporary.mkdir()
        mark = _mark(temporary)
        try:
            yield temporary
            for folder, _, names in os.walk(temporary):
                for name in names:
                    onto_disk(Path(folder, name))
                onto_disk(Path(folder))
            temporary.rename(path)
            onto_disk(path.parent)
        finally:
            os.close(mark)
            shutil.rmtree(temporary, ignore_errors=True)


def clear(path: Path) -> None:
    """Removes whatever stands where the program writes a new file of its own. Raises OSError."""
    clear_folder(path)
    path.unlink(missing_ok=True)


def clear_folder(path: Path) -> None:
    """Removes a folder that stands where the program writes a file: no file could take its place. Raises OSError."""
    if path.is_dir() and not path.is_symlink():
        shutil.rmtree(path)


def _mark(folder: Path) -> int:
    """Locks a folder while it is being made: the lock ends with its process."""
    mark = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    with suppress(OSError):  # a file system without locks: then others cannot see that it is being made
        fcntl.flock(mark, fcntl.LOCK_EX | fcntl.LOCK_NB)
    return mark


def is_being_made(path: Path) -> bool:
    """Whether a process still makes this folder with PREFIX; if not, an interruption has left it."""
    if not path.is_dir():
        return False
    handle = os.open(path, os.O_RDONLY | os.O_DIRECTORY)
    try:
        fcntl.flock(handle, fcntl.LOCK_SH | fcntl.LOCK_NB)
    except BlockingIOError:
        return True
    except OSError:
        return False
    finally:
        os.close(handle)
    return False


def onto_disk(path: Path) -> None:
    """Waits until a file, or a folder's list of names, is on the disk; if the file system supports it."""
    handle = os.open(path, os.O_RDONLY)
    try:
        with _unsupported_let_be():
            os.fsync(handle)
    finally:
        os.close(handle)


@contextmanager
def _unsupported_let_be() -> Iterator[None]:
    """Ignores the error of a file system without fsync for this; raises every other error."""
    try:
        yield
    except OSError as error:
        if error.errno not in (errno.EINVAL, errno.ENOTSUP):
            raise


@contextmanager
def telling(path: Path) -> Iterator[None]:
    """Turns an error of the disk into a problem in words for people."""
    try:
        yield
    except ProblemError:
        raise
    except OSError as error:
        raise disk_problem(path, error) from error


_OF_WHAT_IS_WRITTEN = frozenset({errno.ENOSPC, errno.EDQUOT, errno.EROFS})
"""These errors are of the target, although the error of a copy names the source."""


def disk_problem(path: Path, error: OSError) -> ProblemError:
    """Turns an error of the operating system into a problem that names the path and the mend."""
    place = path if error.errno in _OF_WHAT_IS_WRITTEN else error.filename or path
    mends = {
        errno.ENOSPC: ("The disk is full.", f"Make room{_free_words(path)}, then do it again."),
        errno.EDQUOT: ("The quota of this user is used up.", "Make room, then do it again."),
        errno.EROFS: ("The disk can only be read.", "Choose another folder, or mount the disk for writing."),
        errno.EACCES: ("Permission is denied.", "Give this user access, or choose another folder."),
        errno.EIO: ("The disk reports errors.", "Copy what is on it to another disk now."),
        errno.ENOENT: ("It is not there.", "Check the name; put the disk back in."),
    }
    reason = error.strerror or str(error)
    what, mend = mends.get(error.errno or 0, (f"{reason[:1].upper()}{reason[1:]}.", "Check the file and the disk."))
    return stopping(str(place), what, mend)


def _free_words(path: Path) -> str:
    with suppress(OSError):
        return f" ({shutil.disk_usage(path if path.is_dir() else path.parent).free // 1_000_000} MB are free)"
    return ""
