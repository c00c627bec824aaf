"""Writes the tables in the documents again from the program: python -m deploy.tables."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping
from pathlib import Path

from deploy.keys import keys
from residue.control import addresses
from residue.loudness.caps.rules import RULES
from residue.mapping.catalogue import markdown
from residue.mapping.nodes import KINDS
from residue.watchdog import checks

ROOT = Path(__file__).parents[1]
DOCUMENTS = sorted([*ROOT.glob("*.md"), *(ROOT / "deploy" / "guides").glob("*.md")])
_TABLE = re.compile(r"(<!-- table: (\w+) -->\n).*?(\n<!-- end of table -->)", re.DOTALL)


def rules() -> str:
    """The published rules that a cap may name."""
    rows = ((f"`{name}`", rule.protects, rule.wording) for name, rule in RULES.items())
    return _markdown(("rule", "protects", "what it asks"), rows)


def nodes() -> str:
    """The catalogue of nodes."""
    return markdown(KINDS).rstrip()


TABLES: Mapping[str, Callable[[], str]] = {
    "addresses": addresses.table,
    "checks": checks.table,
    "keys": keys,
    "nodes": nodes,
    "replies": addresses.table_of_replies,
    "rules": rules,
}
"""By the name in the mark that stands above a table."""


def filled(text: str) -> str:
    """A document with its tables as the program has them now."""
    return _TABLE.sub(lambda found: f"{found[1]}{TABLES[found[2]]()}{found[3]}", text)


def _markdown(head: Iterable[str], rows: Iterable[Iterable[str]]) -> str:
    heads = tuple(head)
    return "\n".join("| " + " | ".join(cells) + " |" for cells in (heads, ["---"] * len(heads), *rows))


def main() -> None:
    """Bring all documents up to date."""
    for document in DOCUMENTS:
        text = document.read_text(encoding="utf-8")
        if filled(text) != text:
            document.write_text(filled(text), encoding="utf-8")


if __name__ == "__main__":
    main()
