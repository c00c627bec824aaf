"""A name for this machine that stays the same and tells nothing else about it."""

from __future__ import annotations

import hashlib
from pathlib import Path

MACHINE_ID = Path("/etc/machine-id")
"""See machine-id(5), which asks that it be hashed before anybody else sees it."""
_DIGITS = 12


def machine_identity(path: Path = MACHINE_ID) -> str | None:
    """Twelve hexadecimal digits; None where the machine has no identity."""
    try:
        identity = path.read_text(encoding="ascii").strip()
    except (OSError, UnicodeDecodeError):
        return None
    return hashlib.sha256(f"residue {identity}".encode()).hexdigest()[:_DIGITS] if identity else None
