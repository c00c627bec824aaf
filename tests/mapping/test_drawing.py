"""The picture of a graph: everything is in it, from left to right, and nothing hides anything."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Sequence
from itertools import combinations, pairwise
from pathlib import Path
from xml.etree import ElementTree

import pytest
from hypothesis import given
from hypothesis import strategies as st

from residue.installation.load import graph_of
from residue.mapping.drawing import COLOURS, draw
from residue.mapping.form import FORM
from residue.mapping.graph import Graph, wires
from residue.mapping.placing import Box, Pair, Placed, place
from residue.mapping.signals import Kind

ROOT = Path(__file__).parents[2]
SVG = "{http://www.w3.org/2000/svg}"
PIECES = [ROOT / "archives" / name for name in ("night-dough", "oven-watch")]


@pytest.fixture(params=PIECES, ids=lambda path: path.name)
def graph(request: pytest.FixtureRequest) -> Graph:
    return graph_of(request.param)


def texts(picture: ElementTree.Element) -> list[str]:
    return [element.text or "" for element in picture.iter(f"{SVG}text")]


def test_every_node_every_section_and_every_wire_is_in_the_picture(graph: Graph) -> None:
    picture = ElementTree.fromstring(draw(graph))
    assert set(graph.nodes) | {FORM} <= set(texts(picture))
    for number, section in enumerate(graph.piece.section, 1):
        assert f"{number}. {section.name}" in texts(picture)
    drawn = [
        path.findtext(f"{SVG}title") for path in picture.iter(f"{SVG}path") if path.find(f"{SVG}title") is not None
    ]
    ways = wires(graph.piece, graph.nodes)
    assert sorted(map(str, drawn)) == sorted(f"{one.source} → {one.target}: {one.way} {one.to}" for one in ways)


def test_wires_have_the_colour_of_the_signal_that_they_carry(graph: Graph) -> None:
    kinds = {**{name: shape.kind for name, shape in graph.shapes.items()}, FORM: Kind.EVENTS}
    for path in ElementTree.fromstring(draw(graph)).iter(f"{SVG}path"):
        title = path.findtext(f"{SVG}title")
        if title is not None:
            assert path.get("stroke") == COLOURS[kinds[title.partition(" → ")[0]]]


def test_the_kind_of_a_signal_is_written_and_all_lines_have_one_width(graph: Graph) -> None:
    picture = ElementTree.fromstring(draw(graph))
    labels = [text.partition(",")[0] for text in texts(picture) if text.partition(",")[0] in set(Kind)]
    in_boxes = [graph.shapes[name].kind for name in graph.order]
    assert sorted(labels) == sorted([*in_boxes, "events"])  # the legend names that kind by its word alone
    assert len({path.get("stroke-width") for path in picture.iter(f"{SVG}path")}) == 1


def test_the_same_graph_gives_the_same_picture_in_every_process(graph: Graph) -> None:
    program = (
        "import sys; from pathlib import Path; from residue.installation.load import graph_of; "
        "from residue.mapping.drawing import draw; sys.stdout.write(draw(graph_of(Path(sys.argv[1]))))"
    )
    folder = next(path for path in PIECES if graph_of(path).piece.title == graph.piece.title)
    environment = {**os.environ, "PYTHONHASHSEED": "20260302", "PYTHONPATH": str(ROOT)}
    elsewhere = subprocess.run(
        [sys.executable, "-c", program, folder], env=environment, capture_output=True, check=True
    )
    assert elsewhere.stdout.decode() == draw(graph)


def overlap(one: Box, other: Box) -> bool:
    return (
        abs(one.x - other.x) < (one.width + other.width) / 2 and abs(one.y - other.y) < (one.height + other.height) / 2
    )


def hidden_parts(placed: Placed, pair: Pair) -> list[str]:
    """The boxes that the level parts of a wire pass through."""
    return [
        name
        for (x, y), (next_x, next_y) in pairwise(placed.ways[pair])
        if y == next_y
        for name, box in placed.boxes.items()
        if abs(box.y - y) < box.height / 2 and min(x, next_x) < box.x < max(x, next_x)
    ]


@given(
    links=st.lists(st.tuples(st.integers(0, 58), st.integers(1, 20)), min_size=30, max_size=110),
    widths=st.lists(st.sampled_from([60.0, 110.0, 190.0]), min_size=60, max_size=60),
)
def test_sixty_boxes_stand_clear_of_each_other_and_of_wires_left_to_right(
    links: Sequence[tuple[int, int]], widths: Sequence[float]
) -> None:
    sizes = {f"n{number}": (width, 41.0) for number, width in enumerate(widths)}
    pairs = [(f"n{source}", f"n{min(59, source + step)}") for source, step in links]
    placed = place(sizes, pairs)
    assert set(placed.boxes) == set(sizes)
    assert not [names for names in combinations(sizes, 2) if overlap(*(placed.boxes[name] for name in names))]
    for source, target in pairs:
        assert placed.boxes[source].column[1] < placed.boxes[target].column[0]
        assert hidden_parts(placed, (source, target)) == []
    for box in placed.boxes.values():
        assert box.width / 2 <= box.x <= placed.width - box.width / 2
        assert box.height / 2 <= box.y <= placed.height - box.height / 2


def test_no_wire_is_drawn_over_a_word(graph: Graph) -> None:
    group = ElementTree.fromstring(draw(graph)).find(f"{SVG}g")
    assert group is not None
    tags = [element.tag.removeprefix(SVG) for element in group.iter()]
    assert max(at for at, tag in enumerate(tags) if tag == "path") < tags.index("text")
