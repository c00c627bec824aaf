"""Files in a folder that other people write to as well."""

from __future__ import annotations

import os
from pathlib import Path

_MODE = 0o664
"""For the group of the folder, whatever the umask of the service is."""


def put_shared(path: Path, content: bytes) -> None:
    """Writes a file whole or not at all, and follows no link that somebody has put in its way. Raises OSError."""
    beside = path.with_name(f".{path.name}.new")
    beside.unlink(missing_ok=True)
    handle = os.open(beside, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_NOFOLLOW, _MODE)
    with os.fdopen(handle, "wb") as file:
        os.fchmod(handle, _MODE)
        file.write(content)
        file.flush()
        os.fsync(handle)
    beside.replace(path)
