"""The sender of a request over the network."""

from __future__ import annotations


def asker_in_words(address: str) -> str:
    """The sender in words for people: the address, or this machine itself."""
    return "this machine" if address in ("127.0.0.1", "::1") else address
