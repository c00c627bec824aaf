"""Where residue keeps what it makes: state that must survive, and a cache that need not."""

from __future__ import annotations

import os
from collections.abc import Mapping
from pathlib import Path


def state_folder(environment: Mapping[str, str] = os.environ) -> Path:
    """Systemd's StateDirectory under a unit, else by the XDG Base Directory Specification."""
    given = environment.get("STATE_DIRECTORY")
    home = Path(environment.get("XDG_STATE_HOME") or _home(environment) / ".local" / "state")
    return Path(given) if given else home / "residue"


def cache_folder(environment: Mapping[str, str] = os.environ) -> Path:
    """Systemd's CacheDirectory under a unit, else by the XDG Base Directory Specification."""
    given = environment.get("CACHE_DIRECTORY")
    home = Path(environment.get("XDG_CACHE_HOME") or _home(environment) / ".cache")
    return Path(given) if given else home / "residue"


def _home(environment: Mapping[str, str]) -> Path:
    return Path(environment.get("HOME", "/var/tmp"))  # noqa: S108 (who has no home has nothing else that stays)
