"""Writes the tables in the documents anew from the program: python -m deploy.tables."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Iterator, Mapping
from pathlib import Path

import msgspec

from residue.control import addresses
from residue.loudness.rules import RULES
from residue.mapping.graph import drivable, ports
from residue.mapping.node import Node
from residue.mapping.nodes import catalogue
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
    rows = ((f"`{kind}`", _inputs(node), _parameters(node), _first_line(node)) for kind, node in catalogue().items())
    return _markdown(("kind", "listens by", "parameters", "what it does"), rows)


TABLES: Mapping[str, Callable[[], str]] = {
    "addresses": addresses.table,
    "checks": checks.table,
    "nodes": nodes,
    "rules": rules,
}
"""By the name in the mark that stands above a table."""


def filled(text: str) -> str:
    """A document with its tables as the program has them now."""
    return _TABLE.sub(lambda found: f"{found[1]}{TABLES[found[2]]()}{found[3]}", text)


def _markdown(head: Iterable[str], rows: Iterable[Iterable[str]]) -> str:
    heads = tuple(head)
    return "\n".join("| " + " | ".join(cells) + " |" for cells in (heads, ["---"] * len(heads), *rows))


def _inputs(node: type[Node]) -> str:
    return ", ".join(f"`{field}` ({' or '.join(sorted(kinds))})" for field, kinds in ports(node).items()) or "none"


def _parameters(node: type[Node]) -> str:
    return ", ".join(_parameter(node, field) for field in _numbers(node)) or "none"


def _numbers(node: type[Node]) -> Iterator[msgspec.structs.FieldInfo]:
    return (field for field in msgspec.structs.fields(node) if field.name not in ports(node))


def _parameter(node: type[Node], field: msgspec.structs.FieldInfo) -> str:
    default = "" if field.required or field.default is None else f" = {field.default!r}"
    return f"`{field.encode_name}{default}`{'~' if field.name in drivable(node) else ''}"


def _first_line(node: type[Node]) -> str:
    return (node.__doc__ or "").split("\n")[0]


def main() -> None:
    """Bring all documents up to date."""
    for document in DOCUMENTS:
        text = document.read_text(encoding="utf-8")
        if filled(text) != text:
            document.write_text(filled(text), encoding="utf-8")


if __name__ == "__main__":
    main()
