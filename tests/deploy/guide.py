"""The fenced blocks of the documents: commands (sh), files (toml, python), and what a command prints (text)."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from deploy.tables import DOCUMENTS, ROOT

_FENCE = re.compile(r"^```(\w+)(?: (\S+))?([^\n]*)\n(.*?)^```$", re.MULTILINE | re.DOTALL)

PRINTED = [document for document in DOCUMENTS if document.parent != ROOT or document.name == "README.md"]
"""README and guides: what is printed for those who run an installation."""


@dataclass(frozen=True)
class Block:
    """One fenced block.

    file: the name behind the language: the file that the text belongs to. note: what stands behind that.
    """

    document: Path
    language: str
    file: str
    note: str
    text: str

    @property
    def name(self) -> str:
        """For the id of a test."""
        first = next((line for line in self.text.splitlines() if line.strip()), "")
        return f"{self.document.name}: {first.strip()}"


def blocks(document: Path) -> Iterator[Block]:
    for language, file, note, text in _FENCE.findall(document.read_text(encoding="utf-8")):
        yield Block(document, language, file, note.strip(), text)


def all_blocks(language: str) -> list[Block]:
    return [block for document in PRINTED for block in blocks(document) if block.language == language]


def commands(block: Block) -> list[str]:
    """One for each line, without the comment behind it."""
    return [line.partition("  #")[0].strip() for line in block.text.splitlines() if line.strip()]


def printed_commands(document: Path) -> list[str]:
    return [command for block in blocks(document) if block.language == "sh" for command in commands(block)]
