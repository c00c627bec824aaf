"""A mapping graph, checked: its nodes, their wires, and the order in which they step."""

from __future__ import annotations

import typing
from collections.abc import Iterable, Iterator, Mapping, Sequence, Set
from dataclasses import dataclass
from enum import StrEnum
from functools import cache, cached_property
from graphlib import CycleError, TopologicalSorter
from typing import Any, get_args

import msgspec

from residue.mapping.form import FORM
from residue.mapping.node import Drive, Node, Port
from residue.mapping.nodes.feeds import Feed, Lamp
from residue.mapping.nodes.space import ToOutputs
from residue.mapping.piece import Piece
from residue.mapping.signals import EVENTS, SLOW, Kind, Shape
from residue.mapping.trust import is_trust, node_of, trust_of
from residue.problems import Finding, Severity, nearest, stops
from residue.wording import explained

NodeShapes = Mapping[str, Shape]


@dataclass(frozen=True)
class Graph:
    """The nodes of a piece by name, in the order in which they step (the form among them), and their signals' shapes.

    shapes: by the name of the signal: that of the node, and that of its trust if it has one.
    """

    piece: Piece
    nodes: Mapping[str, Node]
    order: Sequence[str]
    shapes: NodeShapes

    @cached_property
    def needs(self) -> Mapping[str, frozenset[Kind]]:
        """The channels that a performance must have for this piece, and as which kinds they are read."""
        return needs_of(self.nodes.values())

    @cached_property
    def body(self) -> Sequence[str]:
        """The nodes that read the body, in the order in which the piece names them."""
        return [name for name, node in self.nodes.items() if type(node).has_trust]

    @cached_property
    def moving(self) -> Mapping[str, frozenset[str]]:
        """By node, the parameters that a drive or a section moves."""
        moving: dict[str, set[str]] = {name: set() for name in self.nodes}
        for wire in wires(self.piece, self.nodes):
            if wire.way in (Way.DRIVE, Way.SET):
                moving[wire.target].add(wire.to)
        return {name: frozenset(fields) for name, fields in moving.items()}

    def number(self, key: str) -> float:
        """The number of a parameter, such as "mass.gain_db", before a section sets it."""
        name, _, field = key.partition(".")
        return float(getattr(self.nodes[name], field))

    @property
    def feeds(self) -> Mapping[str, Feed]:
        """The nodes whose signals are sent out as messages."""
        return {name: node for name, node in self.nodes.items() if isinstance(node, Feed)}

    @property
    def lamps(self) -> Mapping[str, Lamp]:
        """The nodes whose signals are the brightness of a lamp."""
        return {name: node for name, node in self.nodes.items() if isinstance(node, Lamp)}

    @property
    def files(self) -> Sequence[str]:
        """The files in the installation's folder that change the sound, beside piece.toml."""
        return sorted({file for node in self.nodes.values() for file in node.files()})


def needs_of(nodes: Iterable[Node]) -> Mapping[str, frozenset[Kind]]:
    """The channels that some nodes need, and as which kinds they are read."""
    needs: dict[str, frozenset[Kind]] = {}
    for node in nodes:
        for channel, kind in node.needs():
            needs[channel] = needs.get(channel, frozenset()) | {kind}
    return needs


@cache  # as these hints are compiled from text each time that they are asked for
def ports(node: type[Node]) -> Mapping[str, frozenset[Kind]]:
    """The inputs of a kind of node by field name, and the kinds of signal that each takes."""
    hints = typing.get_type_hints(node, include_extras=True)
    return {
        name: mark.kinds
        for name in node.__struct_fields__
        for mark in getattr(hints[name], "__metadata__", ())
        if isinstance(mark, Port)
    }


def needed_ports(node: type[Node]) -> list[str]:
    """The inputs that a kind of node cannot do without."""
    needed = {field.name for field in msgspec.structs.fields(node) if field.required}
    return [port for port in ports(node) if port in needed]


@cache
def drivable(node: type[Node]) -> Mapping[str, Any]:
    """The parameters that a signal or the form may drive, by name, each with the type of its numbers."""
    hints = typing.get_type_hints(node, include_extras=True)
    return {
        name: next(part for part in get_args(hints[name]) if part is not Drive)
        for name in node.__struct_fields__
        if Drive in get_args(hints[name])
    }


def listens_to(node: Node, field: str) -> list[str]:
    """The names of the nodes that one of its inputs listens to."""
    wired = getattr(node, field)
    return [wired] if isinstance(wired, str) else list(wired or ())


class Way(StrEnum):
    """The way in which one node reaches another."""

    INPUT = "input"
    BACK = "back"
    """An input that may come from later in the graph, after a delay."""
    DRIVE = "drive"
    SET = "set"
    ENDING = "ending"


@dataclass(frozen=True, slots=True, kw_only=True)
class Wire:
    """A wire: a signal of the node `source`, or its trust, reaches the field `to` of `target`."""

    signal: str
    target: str
    to: str
    way: Way

    @property
    def source(self) -> str:
        """The node that gives the signal."""
        return node_of(self.signal)


def wires(piece: Piece, nodes: Mapping[str, Node]) -> Iterator[Wire]:
    """Every wire, in the order in which the piece names them; a wire of a section has the form as its node."""
    for section in piece.section:
        if section.ends is not None:
            yield Wire(signal=section.ends.signal, target=FORM, to=section.name, way=Way.ENDING)
    for name, node in nodes.items():
        for field in ports(type(node)):
            way = Way.BACK if field in node.late else Way.INPUT
            yield from (Wire(signal=source, target=name, to=field, way=way) for source in listens_to(node, field))
        for field in drivable(type(node)):
            drive = getattr(node, field)
            if isinstance(drive, Drive):
                yield Wire(signal=drive.source, target=name, to=field, way=Way.DRIVE)
    for key in dict.fromkeys(key for section in piece.section for key in section.set):
        name, _, field = key.partition(".")
        yield Wire(signal=FORM, target=name, to=field, way=Way.SET)


def build(
    piece: Piece, nodes: Mapping[str, Node], file: str = "piece.toml", *, unfed: Severity = Severity.STOPS
) -> tuple[Graph | None, list[Finding]]:
    """The graph of a piece, or None with every fault of its wiring.

    nodes: those whose tables could be read. Where one of the piece is missing there is no graph, but the wiring of the
    others is checked. unfed: how much an output of the piece matters that nothing feeds.
    """
    faults = [fault for check in (_wires, _drives, _sections, _outputs) for fault in check(piece, nodes)]
    shapes: NodeShapes = {}
    order: list[str] = []
    try:
        order += TopologicalSorter(_dependencies(piece, nodes)).static_order()
    except CycleError as error:
        way = " → ".join(reversed(error.args[1]))
        mend = "Cut it at one place, or lead it through a node of kind feedback."
        faults.append(("node", f"There is a loop: {way}.", mend))
    else:
        shapes, found = _shapes(nodes, order)
        faults += [*found, *_late_faults(nodes, shapes), *_endings(piece, shapes)]
    findings = [Finding(Severity.STOPS, f"{file}: {where}", what, mend) for where, what, mend in faults]
    findings += [Finding(unfed, f"{file}: {where}", what, mend) for where, what, mend in _unfed(piece, nodes)]
    if stops(findings) or _declared(piece, nodes) - nodes.keys():
        return None, findings
    findings += [
        Finding(Severity.WARNS, f"{file}: {where}", what, mend) for where, what, mend in _unheard(piece, nodes)
    ]
    return Graph(piece, nodes, order, shapes), findings


def _declared(piece: Piece, nodes: Mapping[str, Node]) -> Set[str]:
    """The names that a wire may name: also those of nodes whose tables could not be read."""
    return piece.node.keys() | nodes.keys()


WiringFault = tuple[str, str, str]
"""The path of the key, the fault, and the mend."""


def _wires(piece: Piece, nodes: Mapping[str, Node]) -> Iterator[WiringFault]:
    """A fault for every input that names no node of the piece."""
    declared = _declared(piece, nodes)
    if FORM in declared:
        yield f"node.{FORM}", f'"{FORM}" is the name of the form itself.', "Give the node another name."
    for name, node in nodes.items():
        if is_trust(name):
            yield f"node.{name}", f'"{name}" is the name of the trust of "{node_of(name)}".', "Give it another name."
        for field in ports(type(node)):
            for source in listens_to(node, field):
                if node_of(source) not in declared and source != FORM:
                    yield f"node.{name}.{field}", f'There is no node "{source}".', nearest(source, declared)


def _drives(piece: Piece, nodes: Mapping[str, Node]) -> Iterator[WiringFault]:
    """A fault for every drive without a node, with points that do not ascend, or that leaves the parameter's range."""
    declared = _declared(piece, nodes)
    for name, node in nodes.items():
        for field, number in drivable(type(node)).items():
            drive, where = getattr(node, field), f"node.{name}.{field}"
            if not isinstance(drive, Drive):
                continue
            if node_of(drive.source) not in declared:
                yield f"{where}.from", f'There is no node "{drive.source}".', nearest(drive.source, declared)
            if len(drive.at) != len(drive.gives) or len(drive.at) < 2:
                yield (
                    where,
                    "at and gives need the same length, two or more.",
                    "Write one value in gives for each in at.",
                )
            if any(after <= before for before, after in zip(drive.at, drive.at[1:], strict=False)):
                yield f"{where}.at", f"{drive.at} does not rise.", "Write its values in ascending order."
            for value in drive.gives:
                yield from _in_range(f"{where}.gives", value, number)


def _in_range(where: str, value: float, number: Any) -> Iterator[WiringFault]:
    try:
        msgspec.convert(value, number)
    except msgspec.ValidationError as error:
        yield where, f"{value:g} is out of range.", explained(error)


def _sections(piece: Piece, nodes: Mapping[str, Node]) -> Iterator[WiringFault]:
    """A fault for every section that listens to no node, or sets a parameter that cannot be set or is driven."""
    declared = _declared(piece, nodes)
    for index, section in enumerate(piece.section, start=1):
        where = f"section[{index}]"
        if section.ends is not None and node_of(section.ends.signal) not in declared:
            missing = section.ends.signal
            yield f"{where}.ends.signal", f'There is no node "{missing}".', nearest(missing, declared)
        for key, value in section.set.items():
            name, _, field = key.partition(".")
            if name not in declared:
                yield f'{where}.set."{key}"', f'There is no node "{name}".', nearest(name, declared)
            if name not in nodes:
                continue
            settable = drivable(type(nodes[name]))
            if field not in settable:
                what = f'A section cannot set "{field}" of a {nodes[name].kind}.'
                yield f'{where}.set."{key}"', what, nearest(field, settable)
            elif isinstance(getattr(nodes[name], field), Drive):
                what = f"{key} is driven by a signal already."
                yield f'{where}.set."{key}"', what, "Remove either the drive or the section's set."
            else:
                yield from _in_range(f'{where}.set."{key}"', value, settable[field])


def _outputs(piece: Piece, nodes: Mapping[str, Node]) -> Iterator[WiringFault]:
    """A fault for every output that the piece lists twice, and for every feed to an output that it lacks."""
    for name, node in nodes.items():
        if isinstance(node, ToOutputs):
            for output in node.to:
                if output not in piece.outputs:
                    yield f"node.{name}.to", f'The piece has no output "{output}".', nearest(output, piece.outputs)
    for output in dict.fromkeys(piece.outputs):
        if piece.outputs.count(output) > 1:
            what = f'The output "{output}" is listed {piece.outputs.count(output)} times.'
            yield "outputs", what, "Name each output once."


def _unfed(piece: Piece, nodes: Mapping[str, Node]) -> Iterator[WiringFault]:
    """A fault for every output of the piece that nothing feeds; none while a node is unread, as that may feed it."""
    fed = {output for node in nodes.values() if isinstance(node, ToOutputs) for output in node.to}
    for output in dict.fromkeys(piece.outputs):
        if output not in fed and piece.node.keys() <= nodes.keys():
            yield (
                "outputs",
                f'Nothing feeds the output "{output}".',
                f'Add a node of kind output with to = ["{output}"].',
            )


def _dependencies(piece: Piece, nodes: Mapping[str, Node]) -> dict[str, list[str]]:
    """Which nodes each node must step after, in an order that is the same on every run."""
    after: dict[str, list[str]] = {FORM: [], **{name: [] for name in nodes}}
    for wire in wires(piece, nodes):
        if wire.way is not Way.BACK:
            after.setdefault(wire.target, []).append(wire.source)
    return after


def _shapes(nodes: Mapping[str, Node], order: Sequence[str]) -> tuple[NodeShapes, list[WiringFault]]:
    """The shape of each node's output and of its trust, and a fault for every wire that does not fit."""
    shapes: dict[str, Shape] = {FORM: EVENTS}
    faults: list[WiringFault] = []
    for name in order:
        if name not in nodes or name == FORM:
            continue
        node = nodes[name]
        inputs, found = _input_shapes(name, node, shapes)
        if not found and all(source in shapes for source in _inputs_of(node)):  # else a fault of its input is known
            try:
                shapes[name] = node.gives(inputs)
                if shapes[name].kind is not Kind.FAST and (type(node).has_trust or trusts_at(node, shapes)):
                    shapes[trust_of(name)] = SLOW
            except ValueError as error:
                found = [(f"node.{name}", str(error), "")]
        faults += found
    return shapes, faults


def _late_faults(nodes: Mapping[str, Node], shapes: NodeShapes) -> Iterator[WiringFault]:
    """A fault for every late input whose shape is not the one that the node gives."""
    for name, node in nodes.items():
        for field in sorted(node.late):
            for source in listens_to(node, field):
                given, carried = shapes.get(source), shapes.get(name)
                yield from _without_trust(f"node.{name}.{field}", source, shapes) if given is None else ()
                if given is not None and carried is not None and given != carried:
                    what = f'"{source}" gives {_told(given)}, and this carries {_told(carried)}.'
                    yield f"node.{name}.{field}", what, "Give both the same rate and the same number of channels."


def _told(shape: Shape) -> str:
    return (
        f"{shape.channels} channels of a fast signal" if shape.kind is Kind.FAST else f"a signal that is {shape.kind}"
    )


def trusts_at(node: Node, shapes: NodeShapes) -> list[str]:
    """The names of the trusts that reach a node by its inputs; a late input brings none."""
    return [trust_of(source) for source in _inputs_of(node) if trust_of(source) in shapes]


def _inputs_of(node: Node) -> list[str]:
    """The names of the signals that reach its inputs at once; late inputs are left out."""
    return [source for field in ports(type(node)) if field not in node.late for source in listens_to(node, field)]


def _endings(piece: Piece, shapes: NodeShapes) -> Iterator[WiringFault]:
    """A fault for every ending that listens to anything but a slow signal."""
    wanted = frozenset({Kind.SLOW})
    for index, section in enumerate(piece.section, start=1):
        if section.ends is not None:
            where, signal = f"section[{index}].ends.signal", section.ends.signal
            if signal in shapes:
                yield from _mismatch(where, signal, shapes, wanted)
            else:
                yield from _without_trust(where, signal, shapes)


def _without_trust(where: str, signal: str, shapes: NodeShapes) -> Iterator[WiringFault]:
    """A fault for a wire from the trust of a node that has none."""
    if is_trust(signal) and node_of(signal) in shapes:
        what = f'"{node_of(signal)}" has no trust: it is not made from a reading of the body.'
        readable = [name for name in shapes if is_trust(name)]
        yield where, what, nearest(signal, readable) if readable else "Name a node that reads the body."


def _mismatch(where: str, source: str, shapes: NodeShapes, wanted: frozenset[Kind]) -> Iterator[WiringFault]:
    """A fault for a wire whose signal is of a kind that its target does not take."""
    given = shapes[source].kind
    if given not in wanted:
        what = f'"{source}" gives a signal that is {given}, and this takes {_either(wanted)}.'
        yield where, what, _crossing(given, wanted)


def _input_shapes(
    name: str, node: Node, shapes: NodeShapes
) -> tuple[dict[str, Shape | Sequence[Shape]], list[WiringFault]]:
    """The shapes of a node's inputs, and faults; inputs from a faulty node are left out."""
    inputs: dict[str, Shape | Sequence[Shape]] = {}
    faults: list[WiringFault] = []
    takes = {
        field: (listens_to(node, field), kinds) for field, kinds in ports(type(node)).items() if field not in node.late
    }
    drives = {field: getattr(node, field) for field in drivable(type(node))}
    takes |= {
        f"{field}.from": ([drive.source], frozenset({Kind.SLOW}))
        for field, drive in drives.items()
        if isinstance(drive, Drive)
    }
    for field, (sources, kinds) in takes.items():
        known = [source for source in sources if source in shapes]
        found = [fault for source in known for fault in _mismatch(f"node.{name}.{field}", source, shapes, kinds)]
        for source in sources:
            if source not in shapes:
                found += _without_trust(f"node.{name}.{field}", source, shapes)
        faults += found
        if found or len(known) < len(sources):
            continue
        given = [shapes[source] for source in sources]
        inputs[field] = given[0] if isinstance(getattr(node, field, None), str) else given
    return inputs, faults


def _either(kinds: frozenset[Kind]) -> str:
    return " or ".join(sorted(kinds))


def _crossing(given: Kind, wanted: frozenset[Kind]) -> str:
    if given is Kind.SLOW and Kind.FAST in wanted:
        return "Put a node of kind sound or control between them."
    if given is Kind.FAST and Kind.SLOW in wanted:
        return "Take the slow signal that this sound was made from."
    return "Connect it to a node that gives such a signal."


def _unheard(piece: Piece, nodes: Mapping[str, Node]) -> Iterator[WiringFault]:
    """Nodes that nothing listens to: harmless, but mostly a mistake."""
    heard = {wire.source for wire in wires(piece, nodes)}
    for name, node in nodes.items():
        if name not in heard and not isinstance(node, ToOutputs | Feed | Lamp):
            yield f"node.{name}", "No other node uses this one.", "Connect it, or remove it."
