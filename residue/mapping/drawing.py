"""A mapping graph as a picture (SVG): left to right by the way of the data, coloured by the kind of signal."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import pairwise
from xml.etree import ElementTree

from residue.mapping.form import FORM
from residue.mapping.graph import Graph, Way, Wire, wires
from residue.mapping.nodes.feeds import Feed
from residue.mapping.nodes.sources import ChannelSource
from residue.mapping.nodes.space import ToOutputs
from residue.mapping.placing import Box, Pair, Placed, Point, place
from residue.mapping.signals import Kind

COLOURS = {Kind.SLOW: "#2f6f8f", Kind.FAST: "#c2571a", Kind.EVENTS: "#7d3c98"}
"""The colours differ in lightness too, and each box names the kind of its signal, for people who see few colours."""
_STROKE = {"stroke-width": "2"}
_DASHED = {**_STROKE, "stroke-dasharray": "6 4"}
_DOTTED = {**_STROKE, "stroke-dasharray": "2 3"}
_WORDS = {
    Kind.SLOW: "slow: sensors and controls",
    Kind.FAST: "fast: sound",
    Kind.EVENTS: "events",
}
_INK, _PALE, _PAPER = "#22262b", "#5c656e", "#fbfaf7"
_FONT = "DejaVu Sans Mono, Menlo, Consolas, monospace"
_LETTER, _LINE = 7.25, 15.0
"""Width and height of a letter of 12 px in a font of equal widths."""
_PORT_GAP, _PADDING, _MARGIN = 13.0, 11.0, 28.0
_LANE_GAP = 12.0
"""The distance between the wires of loops, under the boxes and beside them."""
_TITLE_HEIGHT, _LEGEND_HEIGHT = 44.0, 44.0


def draw(graph: Graph) -> str:
    """The picture as the text of an SVG file. The same graph always gives the same text."""
    ways = list(wires(graph.piece, graph.nodes))
    names = [name for name in graph.order if name != FORM or graph.piece.section]
    lines = {name: _lines(graph, name) for name in names}
    ports = {name: [wire for wire in ways if wire.target == name] for name in names}
    sizes = {name: _size(lines[name], len(ports[name])) for name in names}
    back = [wire for wire in ways if wire.way is Way.BACK]
    ahead = [wire for wire in ways if wire.source in lines and wire.way is not Way.BACK]
    placed = place(sizes, [(wire.source, wire.target) for wire in ahead])
    height = placed.height + len(back) * _LANE_GAP
    svg = _sheet(graph.piece.title, placed.width, height)
    picture = ElementTree.SubElement(svg, "g", transform=f"translate({_MARGIN:g} {_MARGIN + _TITLE_HEIGHT:g})")
    labels = ElementTree.Element("g")
    for name in names:
        _draw_wires(picture, labels, graph, placed, ports[name])
    for lane, wire in enumerate(back, start=1):
        _draw_back(picture, graph, placed, wire, placed.height + lane * _LANE_GAP)
    picture.append(labels)  # after every wire, so that no wire crosses a word
    for name in names:
        _draw_box(picture, placed.boxes[name], lines[name], COLOURS[graph.shapes[name].kind])
    _draw_legend(svg, height + _MARGIN + _TITLE_HEIGHT + _MARGIN, loops=bool(back))
    ElementTree.indent(svg)
    return ElementTree.tostring(svg, encoding="unicode") + "\n"


def _lines(graph: Graph, name: str) -> list[str]:
    """The lines of text in a box: the name, the kind, the channel or output behind it, and the kind of its signal."""
    shape = graph.shapes[name]
    signal = f"{shape.kind}, {shape.channels} channels" if shape.channels > 1 else str(shape.kind)
    return [name, *_purpose(graph, name), signal]


def _purpose(graph: Graph, name: str) -> list[str]:
    if name == FORM:
        return [f"{number}. {section.name}" for number, section in enumerate(graph.piece.section, 1)]
    node = graph.nodes[name]
    if isinstance(node, ChannelSource):
        return [f"channel {node.channel}"]
    if isinstance(node, ToOutputs):
        return [f"output to {', '.join(node.to)}"]
    return [f"feed {node.address}" if isinstance(node, Feed) else node.kind]


def _size(lines: Sequence[str], ports: int) -> tuple[float, float]:
    width = max(map(len, lines)) * _LETTER + 2 * _PADDING
    return width, max(len(lines) * _LINE, ports * _PORT_GAP) + _PADDING


def _sheet(title: str, width: float, height: float) -> ElementTree.Element:
    width = max(width, 640.0) + 2 * _MARGIN
    height = height + _TITLE_HEIGHT + _LEGEND_HEIGHT + 2 * _MARGIN
    svg = ElementTree.Element(
        "svg",
        {
            "xmlns": "http://www.w3.org/2000/svg",
            "viewBox": f"0 0 {width:.0f} {height:.0f}",
            "width": f"{width:.0f}",
            "height": f"{height:.0f}",
            "font-family": _FONT,
            "font-size": "12",
        },
    )
    ElementTree.SubElement(svg, "title").text = title
    ElementTree.SubElement(svg, "rect", width="100%", height="100%", fill=_PAPER)
    _write(svg, (_MARGIN, _MARGIN + 14.0), title, {"font-size": "18", "font-weight": "bold"})
    return svg


def _draw_box(parent: ElementTree.Element, box: Box, lines: Sequence[str], colour: str) -> None:
    left, top = box.x - box.width / 2, box.y - box.height / 2
    size = {"x": f"{left:.1f}", "y": f"{top:.1f}", "width": f"{box.width:.1f}", "height": f"{box.height:.1f}"}
    ElementTree.SubElement(
        parent, "rect", {**size, "rx": "5", "fill": "white", "stroke": colour, "stroke-width": "1.5"}
    )
    ElementTree.SubElement(parent, "rect", {**size, "width": "5", "rx": "2.5", "fill": colour})
    first = box.y - (len(lines) - 1) * _LINE / 2 + 4.0
    for number, line in enumerate(lines):
        look = {"fill": _PALE} if number else {"font-weight": "bold"}
        _write(parent, (left + _PADDING, first + number * _LINE), line, look)


def _draw_wires(
    parent: ElementTree.Element, labels: ElementTree.Element, graph: Graph, placed: Placed, ports: Sequence[Wire]
) -> None:
    """The wires that reach one box.

    They come in the order of their heights, so that they do not cross.
    """
    shown = [wire for wire in ports if wire.source in placed.boxes and wire.way is not Way.BACK]
    shown.sort(key=lambda wire: _comes_from(placed, (wire.source, wire.target)))
    for place_of, wire in enumerate(shown):
        source, target = placed.boxes[wire.source], placed.boxes[wire.target]
        begin = (source.x + source.width / 2, source.y)
        end = (target.x - target.width / 2, target.y + (place_of - (len(shown) - 1) / 2) * _PORT_GAP)
        kind = graph.shapes[wire.signal].kind
        stroke = _STROKE if wire.way is Way.INPUT else _DASHED
        look = {"fill": "none", "stroke": COLOURS[kind], "opacity": "0.85", **stroke}
        leaves, arrives = (source.column[1], begin[1]), (target.column[0], end[1])
        path = "".join(_path([begin, leaves, *placed.ways[wire.source, wire.target], arrives, end]))
        element = ElementTree.SubElement(parent, "path", {"d": path, **look})
        ElementTree.SubElement(element, "title").text = f"{wire.signal} → {wire.target}: {wire.way} {wire.to}"
        if wire.way in (Way.DRIVE, Way.SET):
            _write(labels, (end[0] - 5.0, end[1] - 3.0), wire.to, {"fill": COLOURS[kind], **_SMALL})


def _draw_back(parent: ElementTree.Element, graph: Graph, placed: Placed, wire: Wire, lane: float) -> None:
    """The wire of a loop: down behind its source, back in a lane of its own under all boxes, up before its target."""
    source, target = placed.boxes[wire.source], placed.boxes[wire.target]
    down, up = source.column[1] + _LANE_GAP, target.column[0] - _LANE_GAP
    arrives = target.y + target.height / 2 - _PADDING / 2
    path = f"M{source.x + source.width / 2:.1f} {source.y + source.height / 2 - _PADDING / 2:.1f}"
    path += f"H{down:.1f}V{lane:.1f}H{up:.1f}V{arrives:.1f}H{target.x - target.width / 2:.1f}"
    look = {"fill": "none", "stroke": COLOURS[graph.shapes[wire.signal].kind], "opacity": "0.85", **_DOTTED}
    element = ElementTree.SubElement(parent, "path", {"d": path, **look})
    ElementTree.SubElement(element, "title").text = f"{wire.signal} → {wire.target}: {wire.way} {wire.to}"


_SMALL = {"font-size": "9", "text-anchor": "end", "stroke": _PAPER, "stroke-width": "3", "paint-order": "stroke"}


def _comes_from(placed: Placed, pair: Pair) -> float:
    """The height of a wire before it reaches its target."""
    points = placed.ways[pair]
    return points[-1][1] if points else placed.boxes[pair[0]].y


def _path(points: Sequence[Point]) -> Iterator[str]:
    """A line through points: straight between points of one height, else a curve that leaves and arrives level."""
    yield f"M{points[0][0]:.1f} {points[0][1]:.1f}"
    for (x, y), (next_x, next_y) in pairwise(points):
        if y == next_y:
            yield f"H{next_x:.1f}"
            continue
        half = (x + next_x) / 2
        yield f"C{half:.1f} {y:.1f} {half:.1f} {next_y:.1f} {next_x:.1f} {next_y:.1f}"


def _draw_legend(svg: ElementTree.Element, y: float, *, loops: bool) -> None:
    x = _MARGIN
    entries = [*((COLOURS[kind], _STROKE, _WORDS[kind]) for kind in Kind)]
    entries.append((_PALE, _DASHED, "drives or sets a parameter, ends a section"))
    entries += [(_PALE, _DOTTED, "comes back later")] if loops else []
    for colour, stroke, words in entries:
        ElementTree.SubElement(svg, "path", {"d": f"M{x:.1f} {y:.1f}h26", "stroke": colour, "fill": "none", **stroke})
        _write(svg, (x + 33.0, y + 4.0), words, {"fill": _PALE})
        x += 33.0 + len(words) * _LETTER + 24.0


def _write(parent: ElementTree.Element, at: Point, words: str, look: dict[str, str]) -> None:
    position = {"x": f"{at[0]:.1f}", "y": f"{at[1]:.1f}"}
    ElementTree.SubElement(parent, "text", {"fill": _INK, **position, **look}).text = words
