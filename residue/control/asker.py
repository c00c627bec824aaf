"""Who asked over the network."""

from __future__ import annotations


def asker_in_words(address: str) -> str:
    """For a person: the address, or this machine itself."""
    return "this machine" if address in ("127.0.0.1", "::1") else address
