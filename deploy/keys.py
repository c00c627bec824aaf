"""All keys of the TOML files as Markdown tables, from the types that check the files."""

from __future__ import annotations

import ast
import inspect
import textwrap
from collections.abc import Iterator, Mapping
from functools import cache
from itertools import pairwise

import msgspec
from msgspec import inspect as types

from residue.archive.ingest.describe import Description
from residue.archive.performance import Performance
from residue.installation.room import Room
from residue.live.sensors import Sensors
from residue.mapping.piece import Piece
from residue.schedule.hours import Hours

RECORDS: Mapping[str, type[msgspec.Struct]] = {
    "piece.toml": Piece,
    "room.toml": Room,
    "hours.toml": Hours,
    "sensors.toml": Sensors,
    "performance.toml": Performance,
    "the describe file of residue ingest": Description,
}
"""By the file, in the order of the guide."""

_SIMPLE: Mapping[type[types.Type], str] = {
    types.AnyType: "any value",
    types.BoolType: "`true` or `false`",
    types.DateType: "date",
    types.DateTimeType: "date and time with offset",
    types.FloatType: "number",
    types.IntType: "whole number",
    types.StrType: "text",
}


def keys() -> str:
    """A heading for each file, one for each table in it, and a row for each key."""
    parts: list[str] = []
    told: dict[type, str] = {}
    for file, record in RECORDS.items():
        parts.append(f"### {file}\n\n{_first_line(record)}\n")
        parts += _sections(_struct(types.type_info(record)), file, "", told)
    return "\n".join(parts).rstrip()


def undescribed() -> list[str]:
    """The keys whose type says nothing about them, as Class.key."""
    reached: dict[type, types.StructType] = {}
    for record in RECORDS.values():
        _reach(_struct(types.type_info(record)), reached)
    return [
        f"{cls.__name__}.{names[-1].name}" for cls, held in reached.items() for names, says in _rows(held) if not says
    ]


def _reach(held: types.StructType, reached: dict[type, types.StructType]) -> None:
    if held.cls in reached:
        return
    reached[held.cls] = held
    for field in held.fields:
        for _, inner in _tables(field.type, ""):
            _reach(inner, reached)


def _sections(held: types.StructType, file: str, heading: str, told: dict[type, str]) -> Iterator[str]:
    """The table of a record's own keys, then those of the tables within it. told: where each record stands so far."""
    place = f"`{heading}` of {file}"
    if (earlier := told.setdefault(held.cls, place)) != place:
        yield f"#### {heading}\n\nThe same keys as {earlier}.\n"
        return
    if heading:
        yield f"#### {heading}\n\n{_first_line(held.cls)}\n"
    lines = ["| key | value | if left out | meaning |", "| --- | --- | --- | --- |"]
    if held.tag_field is not None:
        lines.append(f'| `{held.tag_field}` | `"{held.tag}"` | must be given | The kind of this table. |')
    for fields, says in _rows(held):
        names = ", ".join(f"`{field.encode_name}`" for field in fields)
        lines.append(f"| {names} | {_value(fields[0].type)} | {_default(fields[0])} | {says} |")
    yield "\n".join([*lines, ""])
    path = heading.strip("[]").partition("]")[0]
    for field in held.fields:
        for name, inner in _tables(field.type, f"{path}.{field.encode_name}" if path else field.encode_name):
            yield from _sections(inner, file, name, told)


def _rows(held: types.StructType) -> Iterator[tuple[list[types.Field], str]]:
    """Keys with their texts; one text may speak for several keys of the same type, and stands under the last."""
    said: dict[str, str] = {}
    for cls in reversed(held.cls.__mro__):
        said |= _attribute_docstrings(cls)
    waiting: list[types.Field] = []
    for field in held.fields:
        waiting.append(field)
        text = said.get(field.name, "")
        alike = all((one.type, one.default) == (field.type, field.default) for one in waiting)
        if text and not alike:
            yield from (([one], "") for one in waiting[:-1])
            waiting = [field]
        if text:
            yield waiting, text
            waiting = []
    yield from (([one], "") for one in waiting)


@cache
def _attribute_docstrings(cls: type) -> dict[str, str]:
    """The text that stands under each attribute of a class, in one line."""
    if not issubclass(cls, msgspec.Struct) or cls is msgspec.Struct:
        return {}
    body = ast.parse(textwrap.dedent(inspect.getsource(cls))).body[0]
    said: dict[str, str] = {}
    statements = body.body if isinstance(body, ast.ClassDef) else []
    for attribute, text in pairwise(statements):
        match attribute, text:
            case ast.AnnAssign(target=ast.Name(id=name)), ast.Expr(value=ast.Constant(value=str(words))):
                said[name] = " ".join(words.split()).replace("|", "\\|")
    return said


def _first_line(cls: type) -> str:
    return (inspect.getdoc(cls) or "").partition("\n")[0]


def _struct(held: types.Type) -> types.StructType:
    if not isinstance(held, types.StructType):
        raise TypeError(f"{held} is no record")
    return held


def _tables(held: types.Type, path: str) -> Iterator[tuple[str, types.StructType]]:
    """The tables that a key may hold, each with its heading."""
    match held:
        case types.Metadata(type=inner):
            yield from _tables(inner, path)
        case types.UnionType(types=options):
            for option in options:
                yield from _tables(option, path)
        case types.DictType(value_type=inner):
            yield from _tables(inner, f"{path}.NAME")
        case types.ListType(item_type=inner) | types.VarTupleType(item_type=inner):
            for name, found in _tables(inner, path):
                head, bracket, kind = name.partition("]")
                yield f"[{head}{bracket}]{kind}", found
        case types.StructType(tag=None):
            yield f"[{path}]", held
        case types.StructType():
            yield f"[{path}] of kind {held.tag}", held


def _value(held: types.Type) -> str:
    """What may be written for a key, in words."""
    match held:
        case types.Metadata(type=inner):
            return _value(inner)
        case types.UnionType(types=options):
            told = [_value(option) for option in options if not isinstance(option, types.NoneType)]
            return " or ".join(dict.fromkeys(told))
        case types.LiteralType(values=values):
            return ", ".join(f'`"{value}"`' for value in values)
        case types.EnumType(cls=cls):
            return ", ".join(f'`"{one.value}"`' for one in cls)
        case types.ListType(item_type=inner) | types.VarTupleType(item_type=inner):
            return "tables" if list(_tables(inner, "")) else f"list of: {_value(inner)}"
        case types.DictType(value_type=inner):
            return (
                "a table for each NAME"
                if isinstance(inner, types.DictType) or list(_tables(inner, ""))
                else f"NAME = {_value(inner)}"
            )
        case types.StructType():
            return "table"
        case types.IntType() | types.FloatType():
            return " ".join(filter(None, (_SIMPLE[type(held)], _bounds(held))))
    return _SIMPLE[type(held)]


def _bounds(held: types.IntType | types.FloatType) -> str:
    low = f"{held.ge:g}" if held.ge is not None else f"above {held.gt:g}" if held.gt is not None else ""
    high = f"{held.le:g}" if held.le is not None else ""
    if low and high:
        return f"{low} to {high}"
    return f"from {low}".replace("from above", "above") if low else f"up to {high}" if high else ""


def _default(field: types.Field) -> str:
    """As it would be written in the file."""
    if field.required:
        return "must be given"
    if field.default is msgspec.NODEFAULT or field.default is None or isinstance(field.default, msgspec.Struct):
        return ""
    written = msgspec.json.encode(field.default).decode()
    return "" if written in ("[]", "{}", '""') else f"`{written}`"
