"""Secrets in files of their own, or from the service manager."""

from __future__ import annotations

import os
from collections.abc import Mapping
from pathlib import Path

from residue.notices.bulletin import NoticeError
from residue.small_files import read_small

NONE_GIVEN = "missing"
"""The value from the service manager if the file is missing, so that the house starts nevertheless."""
_MOST_BYTES = 4_096


def credential_name(path: str) -> str:
    """The name of a file's credential from the service manager: the file's own name."""
    return Path(path).name


def secret(path: str, environment: Mapping[str, str] = os.environ) -> str:
    """The content of a file without the end of its line. Raises NoticeError.

    Under the unit the service manager reads it, because the service itself may not. Source: systemd.exec(5),
    LoadCredential.
    """
    folder = environment.get("CREDENTIALS_DIRECTORY")
    handed = Path(folder) / credential_name(path) if folder else None
    file = handed if handed is not None and handed.exists() else Path(path)
    try:
        text = read_small(file, _MOST_BYTES).decode().strip("\r\n")
    except (OSError, UnicodeDecodeError) as error:
        why = error.strerror if isinstance(error, OSError) else "it is not text"
        raise NoticeError(f"The secret in {path} cannot be read: {why}.") from error
    if not text or (file == handed and text == NONE_GIVEN):
        raise NoticeError(f"There is no secret in {path}. Write it there, and restart the house.")
    return text
