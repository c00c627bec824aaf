"""A name for this machine that stays the same and contains no other facts about it."""

from __future__ import annotations

import hashlib
from pathlib import Path

MACHINE_ID = Path("/etc/machine-id")
"""See machine-id(5), which requires a hash of it for every other use."""
_DIGITS = 12


def machine_identity(path: Path = MACHINE_ID) -> str | None:
    """Twelve hexadecimal digits; None where the machine has no identity."""
    try:
        identity = path.read_text(encoding="ascii").strip()
    except (OSError, UnicodeDecodeError):
        return None
    return hashlib.sha256(f"residue {identity}".encode()).hexdigest()[:_DIGITS] if identity else None
