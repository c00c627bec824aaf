"""The folders of residue: the state, which must survive, the cache, which need not, and a note in memory."""

from __future__ import annotations

import os
from collections.abc import Mapping
from pathlib import Path
from urllib.parse import quote

MEMORY_FILE = "memory.json"
"""The memory of a house, in its state folder from its first second on."""
MEMORY_BEFORE_FILE = "memory-before.json"
"""The memory before that one, a few seconds older: it counts if the latest is damaged."""


def state_folder() -> Path:
    """Systemd's StateDirectory under a unit, else by the XDG Base Directory Specification."""
    return _folder(of_unit="STATE_DIRECTORY", of_user="XDG_STATE_HOME", by_default=".local/state")


def cache_folder() -> Path:
    """Systemd's CacheDirectory under a unit, else by the XDG Base Directory Specification."""
    return _folder(of_unit="CACHE_DIRECTORY", of_user="XDG_CACHE_HOME", by_default=".cache")


def ended_file(state: Path, environment: Mapping[str, str] = os.environ) -> Path | None:
    """The note that the last run was ended on purpose: in memory, so it disappears when the machine starts.

    In systemd's RuntimeDirectory under a unit, else by the XDG Base Directory Specification; None where neither is.
    """
    given, user = environment.get("RUNTIME_DIRECTORY"), environment.get("XDG_RUNTIME_DIR")
    folder = Path(given) if given else Path(user) / "residue" if user else None
    return folder / f"ended {quote(str(state.resolve()), safe='')}" if folder else None


def _folder(*, of_unit: str, of_user: str, by_default: str) -> Path:
    given = os.environ.get(of_unit)
    home = Path(os.environ.get("HOME", "/var/tmp"))  # noqa: S108 (a user without a home has no other permanent place)
    return Path(given) if given else Path(os.environ.get(of_user) or home / by_default) / "residue"
