"""What a person is told of a version: from where on it is heard, and what of it has no memory of what came before."""

from __future__ import annotations

from collections.abc import Iterator, Sequence, Set

from residue.durations import place_in_words
from residue.mapping.form import FORM
from residue.mapping.graph import Graph
from residue.mapping.signals import seconds

_MOST_NAMED = 5


def heard(
    graph: Graph, before: Graph | None, fresh: Sequence[str], *, reached: Set[str], frame: int, begins: int
) -> Iterator[str]:
    """Lines on a version that is heard from a frame on.

    before: the version before. reached: the nodes of another lineage than in that one; where none of them was written
    anew, the file of one was. fresh: the nodes that began at the frame `begins`, without a memory.
    """
    nodes = [name for name in fresh if name != FORM]
    if before is None:
        yield f"Heard from {place_in_words(seconds(frame))} on."
    else:
        changed = [name for name, node in graph.nodes.items() if before.nodes.get(name) != node]
        changed = changed or [name for name, node in graph.nodes.items() if name in reached and node.files()]
        after = len(set(nodes) - set(changed))
        behind = f", and {after} that listen to {'it' if len(changed) == 1 else 'them'}" if after else ""
        what = f"{_named(changed)}{behind}" if changed else "nothing that sounds now"
        yield f"Saved, and heard from {place_in_words(seconds(frame))} on. Changed: {what}."
    if nodes:
        remembering = sum(not node.needs() for node in graph.nodes.values())  # a channel is read by the time alone
        few = "Every node remembers" if len(nodes) == remembering else f"{len(nodes)} of {remembering} nodes remember"
        ago = f"{seconds(frame - begins):.0f} s before"
        yield f"{few} only what came after {place_in_words(seconds(begins))}, {ago}; a render has all of it."
    if FORM in fresh:
        yield "The section is a guess, as its state before was not computed. A render has the right one."


def _named(names: Sequence[str]) -> str:
    rest = len(names) - _MOST_NAMED
    return ", ".join(names[:_MOST_NAMED]) + (f" and {rest} more" if rest > 0 else "")
