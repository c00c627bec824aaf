"""What the state of a node follows from: the node itself and all that it listens to, however far away.

Two nodes of the same lineage, in two versions of a piece, have the same state at the same place of the same
performance. Of the form, the state follows from the sections that have begun. So a section that is still to come may
change, and the states before it stay what they are.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from pathlib import Path

import msgspec

from residue.mapping.form import FORM
from residue.mapping.graph import Graph, wires

Lineages = Sequence[Mapping[str, str]]
"""For each number of sections that have begun, a key for each node and the form; the last is that of a form that has
ended."""


def lineages(graph: Graph, folder: Path) -> Lineages:
    """The lineages of a graph. folder: that of the files that its nodes name."""
    nodes = _definitions(graph, folder)
    reach = above(graph)
    count = len(graph.piece.section)
    return [
        {
            name: _digest(graph.piece.title.encode(), *(found[one] for one in sorted(reach[name])))
            for name in graph.order
        }
        for found in ({**nodes, FORM: _form(graph, begun)} for begun in range(count + 2 if count else 1))
    ]


def _definitions(graph: Graph, folder: Path) -> dict[str, bytes]:
    """All that makes the step of each node."""
    return {
        name: msgspec.json.encode(
            [name, node.kind, node, sorted(graph.moving[name]), [_content(folder / file) for file in node.files()]],
            order="sorted",
        )
        for name, node in graph.nodes.items()
    }


def _form(graph: Graph, begun: int) -> bytes:
    """The sections that have begun, and the numbers from which they began to move their parameters."""
    sections = graph.piece.section[:begun]
    keys = sorted({key for section in sections for key in section.set})
    initial = [(key, graph.number(key)) for key in keys]
    return msgspec.json.encode([sections, initial, begun > len(graph.piece.section)])


def above(graph: Graph) -> Mapping[str, set[str]]:
    """By node, itself and all that reaches it; in a loop that is every node of the loop."""
    sources: dict[str, set[str]] = {name: set() for name in graph.order}
    for wire in wires(graph.piece, graph.nodes):
        sources[wire.target].add(wire.source)

    def reached(name: str) -> set[str]:
        found, waiting = {name}, [name]
        while waiting:
            new = sources[waiting.pop()] - found
            found |= new
            waiting += new
        return found

    return {name: reached(name) for name in graph.order}


def _content(path: Path) -> str:
    """The digest of a file; empty if it cannot be read, which the preparation reports."""
    try:
        return hashlib.sha256(path.read_bytes()).hexdigest()
    except OSError:
        return ""


def _digest(*parts: bytes) -> str:
    return hashlib.sha256(b"\0".join(parts)).hexdigest()
