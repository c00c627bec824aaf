"""The layout of a graph's picture: columns from left to right by the way of the data.

The columns, the order within each and the ways between them are found by a layered layout (Sugiyama, Tagawa and
Toda, IEEE Trans Syst Man Cybern 11 (1981) 109-125), which keeps the number of crossing wires small.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from grandalf.graphs import Edge, Graph, Vertex
from grandalf.layouts import SugiyamaLayout
from grandalf.routing import EdgeViewer

COLUMN_GAP, ROW_GAP = 56.0, 14.0
_ROUNDS = 12.0
"""The rounds of sorting each column by its neighbours; more rounds changed nothing in graphs of 60 nodes."""

Point = tuple[float, float]
Pair = tuple[str, str]


@dataclass(frozen=True, slots=True)
class Box:
    """The position of a node: its centre, its size, and the extent of its column."""

    x: float
    y: float
    width: float
    height: float
    column: tuple[float, float]


@dataclass(frozen=True, slots=True)
class Placed:
    """A whole picture, from (0, 0) to (width, height).

    ways: by (source, target), the points between the two at which a wire enters and leaves each column on its way;
    a wire is level within a column and bends between columns, so that no box hides it.
    """

    boxes: Mapping[str, Box]
    ways: Mapping[Pair, Sequence[Point]]
    width: float
    height: float


def place(sizes: Mapping[str, tuple[float, float]], pairs: Sequence[Pair]) -> Placed:
    """Places boxes of (width, height), joined by `pairs` of (source, target) without loops.

    Unconnected parts are under each other.
    """
    vertices = {name: _Vertex(number, name, size) for number, (name, size) in enumerate(sizes.items())}
    joined = enumerate(dict.fromkeys(pairs))
    edges = {pair: _Edge(number, vertices[pair[0]], vertices[pair[1]]) for number, pair in joined}
    boxes: dict[str, Box] = {}
    ways: dict[Pair, Sequence[Point]] = {}
    top = width = 0.0
    for part in Graph(list(vertices.values()), list(edges.values())).C:
        columns = _lay_out(part)
        names = [vertex.data for vertex in part.sV]
        left = min(begin for begin, _ in columns.values())
        high = min(vertices[name].view.xy[0] - sizes[name][1] / 2 for name in names) - top
        # The library places from top to bottom: exchanging both axes gives left to right.
        for name in names:
            y, x = vertices[name].view.xy
            begin, end = columns[x]
            boxes[name] = Box(x - left, y - high, *sizes[name], (begin - left, end - left))
        for pair, edge in edges.items():
            if pair[0] in names:
                passed = getattr(edge.view, "_pts", [])[1:-1]
                ways[pair] = [(edge_x - left, y - high) for y, x in passed for edge_x in columns[x]]
        width = max(width, *(end - left for _, end in columns.values()))
        top = max(boxes[name].y + boxes[name].height / 2 for name in names) + 2 * ROW_GAP
    return Placed(boxes, ways, width, top - 2 * ROW_GAP)


class _View:
    """The size of a box, and its place, in the form that the library needs."""

    def __init__(self, w: float, h: float) -> None:
        self.w, self.h = w, h
        self.xy = (0.0, 0.0)


class _Vertex(Vertex):  # type: ignore[misc]  # the library publishes no types
    """A box.

    It has a number, because the library walks sets of boxes, and their order by address would change from run to run.
    """

    def __init__(self, number: int, name: str, size: tuple[float, float]) -> None:
        super().__init__(name)
        self._number = number
        self.view = _View(size[1], size[0])

    def __hash__(self) -> int:
        return self._number


class _Edge(Edge):  # type: ignore[misc]  # as above
    """A wire, numbered for the same reason."""

    def __init__(self, number: int, source: Vertex, target: Vertex) -> None:
        self._number = number
        super().__init__(source, target)
        self.view = EdgeViewer()

    def __hash__(self) -> int:
        return self._number


class _Layout(SugiyamaLayout):  # type: ignore[misc]  # as above
    """The library's layout, without overlaps: its mean of four placings sometimes puts two boxes too close."""

    def setxy(self) -> None:
        """Places all vertices; those of a column that touch are moved apart, and the first of them stays."""
        super().setxy()
        for layer in self.layers:
            free = -math.inf
            for vertex in sorted(layer, key=lambda vertex: vertex.view.xy[0]):
                along, across = vertex.view.xy
                along = max(along, free + vertex.view.w / 2)
                vertex.view.xy = (along, across)
                free = along + vertex.view.w / 2 + self.xspace


def _lay_out(part: Graph) -> dict[float, tuple[float, float]]:
    """Places the vertices of a connected part; gives the columns by their middle, each with its extent."""
    layout = _Layout(part)
    layout.xspace, layout.yspace = ROW_GAP, COLUMN_GAP
    layout.init_all(inverted_edges=[])
    layout.draw(_ROUNDS)
    columns = {}
    for layer in layout.layers:
        middle, half = layer[0].view.xy[1], max(vertex.view.h for vertex in layer) / 2
        columns[middle] = (middle - half, middle + half)
    return columns
