"""Graphs of any nodes wired at random, as an artist could have written them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from random import Random
from typing import Any

import msgspec
import numpy as np

from residue.archive.in_memory import InMemoryPerformance
from residue.mapping.graph import Graph, build, drivable, ports
from residue.mapping.node import Node
from residue.mapping.nodes import KINDS
from residue.mapping.piece import Ending, Piece, Section
from residue.mapping.signals import FRAMES_PER_TICK, Events, Kind, Shape
from tests.mapping.examples import EXAMPLES, takes_several

OUTPUTS = ["left", "right"]
CHANNELS: Mapping[str, Mapping[str, Any]] = {
    "arm": {"channel": "arm"},
    "air": {"channel": "air", "rate": "fast"},
    "pulse": {"channel": "pulse", "rate": "events"},
}
_CHOSEN = sorted(set(KINDS) - {"channel", "output", "feed", "lamp"})
_TRIES = 60


def random_graph(random: Random, most: int = 14) -> Graph:
    """One to `most` nodes beside three channels, some driven by others, some set by a form of two sections."""
    nodes: dict[str, Node] = {name: msgspec.convert(table, KINDS["channel"]) for name, table in CHANNELS.items()}
    shapes = {name: node.gives({}) for name, node in nodes.items()}
    wanted = random.randint(1, most)
    for _ in range(_TRIES):
        if len(nodes) >= wanted + len(CHANNELS):
            break
        kind = random.choice(_CHOSEN)
        added = _node(random, KINDS[kind], shapes)
        if added is not None:
            name = f"{kind}_{len(nodes)}"
            nodes[name], shapes[name] = added
    for name in [name for name, node in nodes.items() if node.late]:
        from_anywhere = [other for other, shape in shapes.items() if shape == shapes[name]]
        nodes[name] = msgspec.structs.replace(nodes[name], input=random.choice(from_anywhere))
    for name in [name for name, shape in shapes.items() if shape.kind is Kind.FAST and shape.channels <= 2]:
        nodes[f"{name}_out"] = msgspec.convert({"input": name, "to": OUTPUTS, "gain_db": -20.0}, KINDS["output"])
    piece = Piece(title="Any", outputs=OUTPUTS, node={}, section=_sections(random, nodes, shapes), closing_fade_s=0.2)
    graph, findings = build(piece, nodes)
    if graph is None:
        raise AssertionError(findings)
    return graph


def _node(random: Random, node_type: type[Node], shapes: Mapping[str, Shape]) -> tuple[Node, Shape] | None:
    """A node of this kind that listens to some of those there are; None where none of them fits."""
    table = dict(random.choice(EXAMPLES.get(node_type.kind, [{}])))
    inputs: dict[str, Any] = {}
    for field, kinds in ports(node_type).items():
        fitting = [name for name, shape in shapes.items() if shape.kind in kinds]
        if not fitting:
            return None
        chosen = [random.choice(fitting) for _ in range(2)]
        several = takes_several(node_type, field)
        if several:
            table = _renamed(table, dict(zip("ab", chosen, strict=True)))
        elif field in table:  # it says that this input is left out
            continue
        table[field] = chosen if several else chosen[0]
        inputs[field] = [shapes[name] for name in chosen] if several else shapes[chosen[0]]
    slow = [name for name, shape in shapes.items() if shape.kind is Kind.SLOW]
    defaults = {field.encode_name: field.default for field in msgspec.structs.fields(node_type)}
    for field in drivable(node_type):
        number = table.get(field, defaults[field])
        if random.random() < 0.4 and isinstance(number, int | float):
            table[field] = {"from": random.choice(slow), "at": [-1.0, 1.0], "gives": [number, number * 0.75]}
    try:
        node = msgspec.convert(table, node_type)
        given = node.gives(inputs)
        return None if any(inputs[field] != given for field in node.late) else (node, given)
    except (ValueError, msgspec.ValidationError):
        return None


def _renamed(table: Any, names: Mapping[str, str]) -> Any:
    """What an example says of the inputs "a" and "b", said of others."""
    if isinstance(table, dict):
        return {key: _renamed(value, names) for key, value in table.items()}
    if isinstance(table, list):
        return [_renamed(value, names) for value in table]
    return names.get(table, table) if isinstance(table, str) else table


def _sections(random: Random, nodes: Mapping[str, Node], shapes: Mapping[str, Shape]) -> list[Section]:
    """Sections that listen to the channel and set what nothing drives."""
    settable = [
        (f"{name}.{field}", float(getattr(node, field)))
        for name, node in nodes.items()
        for field in drivable(type(node))
        if name in shapes and isinstance(getattr(node, field), int | float)
    ]
    chosen = dict(random.sample(settable, min(2, len(settable))))
    halved = {key: number * 0.5 for key, number in chosen.items()}
    return [
        Section(name="one", at_most_s=0.4, ends=Ending(signal="arm", above=0.9)),
        Section(name="two", at_most_s=60.0, set=halved, over_s=0.3),
    ]


def performance(seconds: float, slow: np.ndarray, fast: np.ndarray, beats: Sequence[float]) -> InMemoryPerformance:
    """What the graphs play: a slow and a fast channel, whose waves are repeated to the length, and beats in seconds."""
    frames = round(seconds * 48_000)
    at = np.array([round(beat * 48_000) for beat in beats if beat < seconds], np.int64)
    intervals = np.diff(at, prepend=0) / 48_000
    return InMemoryPerformance(
        frames=frames,
        slow={"arm": np.resize(slow, frames // FRAMES_PER_TICK)},
        fast={"air": np.resize(fast, frames)},
        events={"pulse": Events(at, intervals)},
    )
