"""What a decoder of others writes on standard error, kept from the screen."""

from __future__ import annotations

import os
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager

_OF_DAMAGE = ("error", "resync")
"""libmpg123 writes one of these where it met damage, and decodes on; its other words concern seeking."""


class DecoderWords:
    """Takes the place of the file descriptor for errors while a decoder works: a library in C asks nobody.

    of_damage: whether the decoder has met damage so far.
    """

    def __init__(self) -> None:
        self.of_damage = False

    @contextmanager
    def kept(self) -> Iterator[None]:
        """Keeps what is written within the context."""
        screen = os.dup(2)
        with tempfile.TemporaryFile() as said:
            os.dup2(said.fileno(), 2)
            try:
                yield
            finally:
                os.dup2(screen, 2)
                os.close(screen)
                said.seek(0)
                words = said.read().decode(errors="replace").lower()
                self.of_damage = self.of_damage or any(word in words for word in _OF_DAMAGE)
