"""The catalogue of nodes as a table for people, made from the classes themselves."""

from __future__ import annotations

import inspect
import re
import typing
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, get_args, get_origin

import msgspec

from residue.mapping.graph import drivable, ports
from residue.mapping.node import Drive, Node

UNITS = {"hz": "Hz", "s": "s", "db": "dB", "degrees": "°"}
"""The units, by the last part of a parameter's name."""
_NO_DEFAULT = ("must be given", "may be left out")
_LABEL_WIDTH = 12
"""Of the labels before the facts, in characters."""
_LABELS = ("Trust", "Latency", "Source")
"""With these labels the parts of a node's docstring begin that have a field of their own."""
_ANY_LABEL = "|".join(_LABELS)


@dataclass(frozen=True, slots=True, kw_only=True)
class Parameter:
    """One parameter of a kind: unit by its name, range as written, default as written in piece.toml."""

    name: str
    unit: str
    range: str
    default: str
    drivable: bool
    says: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """One kind of node."""

    kind: str
    family: str
    says: str
    more: str
    trust: str
    latency: str
    source: str
    inputs: Mapping[str, str]
    gives: str
    parameters: tuple[Parameter, ...]
    unlike: str
    """How much its output may differ from machine to machine; empty where the bits are the same."""


def entry(node: type[Node]) -> Entry:
    """The catalogue's entry for a kind."""
    text = inspect.getdoc(node) or ""
    first, _, rest = text.partition("\n")
    found = {label: _labelled(text, label) for label in _LABELS}
    more = re.sub(r"\s+", " ", re.split(rf"\b(?:{_ANY_LABEL}):", rest, maxsplit=1)[0]).strip()
    optional = {field.encode_name for field in _fields(node) if not field.required}
    inputs = {
        name: " or ".join(sorted(kinds)) + (", may be left out" if name in optional else "")
        for name, kinds in ports(node).items()
    }
    return Entry(
        kind=node.kind,
        family=node.family,
        says=first,
        more=more,
        trust=found["Trust"],
        latency=found["Latency"],
        source=found["Source"],
        inputs=inputs,
        gives=(inspect.getdoc(node.gives) or "").partition("\n")[0],
        parameters=_parameters(node),
        unlike=""
        if node.differs_db is None
        else f"may differ from one machine to another, at {node.differs_db:g} dB of its level",
    )


def listing(kinds: Mapping[str, type[Node]]) -> str:
    """Every kind with what it does, one line each, by family, for a terminal."""
    entries = [entry(node) for node in kinds.values()]
    width = max(len(one.kind) for one in entries)
    families = dict.fromkeys(one.family for one in entries)
    return "\n\n".join(
        "\n".join([family, *(f"  {one.kind:<{width}}  {one.says}" for one in entries if one.family == family)])
        for family in families
    )


def page(node: type[Node]) -> str:
    """Everything that the catalogue says of one kind, for a terminal."""
    one = entry(node)
    facts = [
        *(("listens by", f"{name} ({kinds})") for name, kinds in one.inputs.items()),
        ("gives", one.gives),
        ("trust", one.trust),
        ("latency", one.latency),
        ("source", one.source),
        ("bits", one.unlike),
    ]
    lines = [f"{one.kind}, of the family {one.family}", "", f"{one.says} {one.more}".rstrip(), ""]
    lines += [f"{label:<{_LABEL_WIDTH}}{fact}" for label, fact in facts if fact]
    if one.parameters:
        width = max(len(parameter.name) for parameter in one.parameters)
        lines += ["", *(f"{parameter.name:<{width}}  {_in_words(parameter)}" for parameter in one.parameters)]
    return "\n".join(lines)


def _in_words(parameter: Parameter) -> str:
    parts = [
        f"{parameter.range} {parameter.unit}".strip(),
        parameter.default if parameter.default in _NO_DEFAULT else f"{parameter.default} if not given",
        "may be driven" if parameter.drivable else "",
        parameter.says,
    ]
    return "; ".join(part for part in parts if part)


def markdown(kinds: Mapping[str, type[Node]]) -> str:
    """The whole catalogue, a heading for each family and a table for each kind."""
    entries = [entry(node) for node in kinds.values()]
    families = dict.fromkeys(one.family for one in entries)
    parts = []
    for family in families:
        parts.append(f"## {family.capitalize()}\n")
        parts += [_section(one) for one in entries if one.family == family]
    return "\n".join(parts)


def _section(one: Entry) -> str:
    lines = [f"### {one.kind}\n", f"{one.says} {one.more}".strip() + "\n"]
    lines += [f"- {name}: {kinds}" for name, kinds in one.inputs.items()]
    facts = {"Gives": one.gives, "Trust": one.trust, "Latency": one.latency, "Source": one.source, "Bits": one.unlike}
    lines += [*(f"- {label}: {fact}" for label, fact in facts.items() if fact), ""]
    if one.parameters:
        lines += ["| parameter | unit | range | default | |", "| --- | --- | --- | --- | --- |"]
        for parameter in one.parameters:
            says = parameter.says + ("; may be driven" if parameter.drivable else "")
            cells = (parameter.name, parameter.unit, parameter.range, parameter.default, says.strip("; "))
            lines.append(f"| {' | '.join(cells)} |")
        lines.append("")
    return "\n".join(lines)


def _labelled(text: str, label: str) -> str:
    """The text after a label in a docstring, up to the next label or the end."""
    match = re.search(rf"\b{label}:\s*(.*?)(?=\s*\b(?:{_ANY_LABEL}):|\Z)", text, re.DOTALL)
    return re.sub(r"\s+", " ", match[1]).strip().rstrip(".") if match else ""


def _parameters(node: type[Node]) -> tuple[Parameter, ...]:
    hints = typing.get_type_hints(node, include_extras=True)
    inputs, driven = ports(node), drivable(node)
    return tuple(
        Parameter(
            name=field.encode_name,
            unit=_unit(field.encode_name),
            range=_range(hints[field.encode_name]),
            default=_default(field),
            drivable=field.encode_name in driven,
            says=_description(hints[field.encode_name]),
        )
        for field in _fields(node)
        if field.encode_name not in inputs
    )


def _unit(name: str) -> str:
    """The unit by the last part of a parameter's name; a value "per something" has no unit of these."""
    before, _, last = name.rpartition("_")
    return UNITS.get(last, "") if before and not before.endswith("per") else ""


def _fields(node: type[Node]) -> tuple[msgspec.inspect.Field, ...]:
    described = msgspec.inspect.type_info(node)
    return described.fields if isinstance(described, msgspec.inspect.StructType) else ()


def _default(field: msgspec.inspect.Field) -> str:
    if field.required:
        return _NO_DEFAULT[0]
    return _NO_DEFAULT[1] if field.default is None else msgspec.json.encode(field.default).decode()


def _metas(hint: Any) -> list[msgspec.Meta]:
    """The annotations of a type, the outermost first; Drive and None in unions do not count."""
    own = [mark for mark in getattr(hint, "__metadata__", ()) if isinstance(mark, msgspec.Meta)]
    inner = [part for part in get_args(hint) if part not in (Drive, type(None)) and not isinstance(part, msgspec.Meta)]
    return own + [meta for part in inner for meta in _metas(part)]


def _description(hint: Any) -> str:
    return next((meta.description for meta in _metas(hint) if meta.description), "")


def _range(hint: Any) -> str:
    """The bounds of a number, or the words to choose from."""
    words = _words(hint)
    if words:
        return ", ".join(words)
    for meta in _metas(hint):
        low = f"{meta.ge:g}" if meta.ge is not None else f"above {meta.gt:g}" if meta.gt is not None else ""
        high = f"{meta.le:g}" if meta.le is not None else ""
        if low or high:
            return f"{low} to {high}".strip() if high else low
    return ""


def _words(hint: Any) -> tuple[str, ...]:
    if get_origin(hint) is typing.Literal:
        return tuple(map(str, get_args(hint)))
    return next((words for part in get_args(hint) if (words := _words(part))), ())
