"""One node of a graph alone, to be listened to."""

from __future__ import annotations

from dataclasses import replace

from residue.mapping.graph import Graph
from residue.mapping.node import Node
from residue.mapping.nodes.conditioning import Gain
from residue.mapping.nodes.space import ToOutputs
from residue.mapping.signals import Kind
from residue.problems import nearest, stopping

_LISTENER = "listening to one node"
"""The name of the output node that is added. It contains a space, so that no node of a piece can have it."""


def alone(graph: Graph, name: str) -> Graph:
    """The graph with one node sent to the outputs, and nothing else.

    An output node sends to its own outputs. Of any other node, a single channel goes to every output, and several
    channels go to as many outputs in the order of the piece. The form ends and the closing fade falls as they do in the
    whole piece. Raises ProblemError where there is no such node or it gives no sound.
    """
    if name not in graph.nodes:
        raise stopping("piece.toml: node", f'There is no node "{name}".', nearest(name, graph.nodes))
    nodes = {one: node if one == name else _unsent(node) for one, node in graph.nodes.items()}
    if isinstance(graph.nodes[name], ToOutputs):
        return replace(graph, nodes=nodes)
    shape, outputs = graph.shapes[name], graph.piece.outputs
    if shape.kind is not Kind.FAST:
        what = f'"{name}" gives {_WORDS[shape.kind]}, which cannot be listened to.'
        raise stopping(f"piece.toml: node.{name}", what, f"Trace it: residue trace … --signal {name}.")
    if shape.channels > len(outputs):
        what = f'"{name}" has {shape.channels} channels, and the piece has {len(outputs)} outputs.'
        raise stopping(f"piece.toml: node.{name}", what, "Listen to a node behind it that mixes or pans it.")
    listener = ToOutputs(input=name, to=list(outputs if shape.channels == 1 else outputs[: shape.channels]))
    return replace(graph, nodes={**nodes, _LISTENER: listener}, order=[*graph.order, _LISTENER])


_WORDS = {Kind.SLOW: "a slow signal", Kind.EVENTS: "events"}


def _unsent(node: Node) -> Node:
    """The node; in the place of an output node its sound alone, to which other nodes and sections may refer."""
    return Gain(input=node.input, gain_db=node.gain_db) if isinstance(node, ToOutputs) else node
