"""From raw TOML to a checked record, with every fault of a file found at once.

msgspec validates one value well, but stops at the first fault, and does not know the file, the value that stands
there, or the nearest valid key. So the tables are walked here and msgspec is asked value by value.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterator, Mapping
from enum import Enum
from math import isfinite
from pathlib import Path
from typing import Any, TypeVar, get_args, get_origin

import msgspec

from residue.problems import Finding, Severity, nearest
from residue.wording import TYPES, explained

Record = TypeVar("Record", bound=msgspec.Struct)


def read_toml(path: Path) -> tuple[dict[str, Any], list[Finding]]:
    """The tables of a file; empty, with the reason, where it cannot be read."""
    try:
        return tomllib.loads(path.read_text(encoding="utf-8")), []
    except FileNotFoundError:
        fault = ("The file is missing.", f"Put a {path.name} into {path.parent}.")
    except UnicodeDecodeError:
        fault = ("The file is not UTF-8 text.", "Save it as UTF-8.")
    except OSError as error:
        fault = (f"The file cannot be read: {error.strerror}.", "Check its permissions and the disk.")
    except tomllib.TOMLDecodeError as error:
        fault = (f"It is not valid TOML: {error}.", "Mend it at that line.")
    return {}, [Finding(Severity.STOPS, path.name, *fault)]


def check(raw: Mapping[str, Any], record: type[Record], file: str, at: str = "") -> tuple[Record | None, list[Finding]]:
    """The record that the table `raw` of a file describes, or None and every reason why there is none.

    at: the key path of the table within the file.
    """
    findings: list[Finding] = []
    values: dict[str, Any] = {}
    fields = {field.encode_name: field for field in msgspec.structs.fields(record)}
    whole = True  # as far as this table's own keys go; a fault within a table below leaves only that table out
    for key in raw:
        if key not in fields:
            findings.append(_finding(file, _join(at, key), "This key is not known here.", nearest(key, fields)))
    for key, field in fields.items():
        where = _join(at, key)
        if key in raw:
            value, found = _check_value(raw[key], field.type, file, where)
            if not found:
                values[field.name] = value
            elif field.required or _record_within(field.type) is None:
                whole = False
            findings += found
        elif field.required:
            whole = False
            table = _record_within(field.type) is not None
            mend = f"Write a table [{where}]." if table else f"Write {key} = {_expected(field.type)}."
            findings.append(_finding(file, where, "This key is missing.", mend))
    if not whole:
        return None, findings
    try:
        checked = record(**values)
    except ValueError as error:  # from a record's own __post_init__: a person's sentences, one for each fault
        return None, findings + [_fault(file, at, str(fault)) for fault in error.args]
    return (None, findings) if findings else (checked, [])


def _check_value(raw: object, wanted: Any, file: str, where: str) -> tuple[Any, list[Finding]]:
    """One value as the type wanted; tables and lists of tables are walked, so that all their faults are found."""
    record, container = _record_within(wanted), get_origin(_bare(wanted))
    if record is not None and isinstance(raw, Mapping) and container not in (dict, list, tuple):
        return check(raw, record, file, where)
    if record is not None and isinstance(raw, Mapping) and raw and container is dict:
        return _check_each({str(key): value for key, value in raw.items()}, record, file, where)
    if record is not None and isinstance(raw, list) and raw and all(isinstance(item, Mapping) for item in raw):
        numbered = {f"[{number}]": item for number, item in enumerate(raw, start=1)}
        items, findings = _check_each(numbered, record, file, where)
        return tuple(items.values()) if container is tuple else list(items.values()), findings
    endless = [
        _finding(file, where + path, f"{value} is no number to count with.", "Write a finite number.")
        for path, value in _not_finite(raw)
    ]
    if endless:
        return None, endless
    try:
        return msgspec.convert(raw, wanted), []
    except msgspec.ValidationError as error:
        return None, [_translate(error, raw, wanted, file, where)]


def _check_each(
    tables: Mapping[str, Any], record: type[msgspec.Struct], file: str, where: str
) -> tuple[dict[str, Any], list[Finding]]:
    checked: dict[str, Any] = {}
    findings: list[Finding] = []
    for key, table in tables.items():
        checked[key], found = _check_value(table, record, file, _join(where, key))
        findings += found
    return checked, findings


def _translate(error: msgspec.ValidationError, raw: object, wanted: Any, file: str, where: str) -> Finding:
    path, mend = explained(error)
    value, choices = _value_at(raw, path), _choices(wanted)
    if isinstance(value, str) and choices and value not in choices:
        mend = nearest(value, choices)
    return _finding(file, where + path, f"{_shown(value)} cannot stand here.", mend)


def _choices(wanted: Any) -> set[str]:
    """The words that a type allows, where it is one of a set of words."""
    parts = _parts(wanted)
    named = [word.value for part in parts if isinstance(part, type) and issubclass(part, Enum) for word in part]
    return {word for word in (*parts, *named) if isinstance(word, str)}


def _value_at(raw: object, path: str) -> object:
    for key, index in re.findall(r"\.([^.\[]+)|\[(\d+)\]", path):
        try:
            raw = raw[key] if key else raw[int(index)]  # type: ignore[index]
        except (KeyError, IndexError, TypeError):
            return raw
    return raw


def _not_finite(raw: object) -> Iterator[tuple[str, float]]:
    """Each nan and inf, which TOML knows as numbers and no bound of a range keeps out, with its path."""
    if isinstance(raw, float) and not isfinite(raw):
        yield "", raw
    elif isinstance(raw, Mapping):
        yield from ((f".{key}{path}", value) for key, item in raw.items() for path, value in _not_finite(item))
    elif isinstance(raw, list):
        yield from ((f"[{n}]{path}", value) for n, item in enumerate(raw) for path, value in _not_finite(item))


def _record_within(wanted: Any) -> type[msgspec.Struct] | None:
    """The one record type inside a type such as R, R | None, list[R], dict[str, R] or float | R."""
    found = {part for part in _parts(wanted) if isinstance(part, type) and issubclass(part, msgspec.Struct)}
    return found.pop() if len(found) == 1 else None


def _parts(wanted: Any) -> list[Any]:
    arguments = get_args(wanted)
    return [part for argument in arguments for part in _parts(argument)] if arguments else [wanted]


def _bare(wanted: Any) -> Any:
    """A type without what Annotated says of it, and without `| None`."""
    if hasattr(wanted, "__metadata__"):
        return _bare(wanted.__origin__)
    options = [option for option in get_args(wanted) if option is not type(None)]
    return _bare(options[0]) if len(options) == 1 and type(None) in get_args(wanted) else wanted


def _expected(wanted: Any) -> str:
    names = dict.fromkeys(getattr(part, "__name__", "") for part in _parts(wanted))
    return " or ".join(TYPES[name] for name in names if name in TYPES) or "…"


def _shown(raw: object) -> str:
    text = f'"{raw}"' if isinstance(raw, str) else str(raw)
    return text if len(text) <= 60 else text[:57] + "…"


def _join(at: str, key: str) -> str:
    return f"{at}{key}" if key.startswith("[") else f"{at}.{key}" if at else key


def _fault(file: str, at: str, sentences: str) -> Finding:
    """A record's own fault: a person's sentences, perhaps behind the key that they are about, as in "tue: …"."""
    return Finding(Severity.STOPS, f"{file}: {at}" if at else file, sentences, "")


def _finding(file: str, where: str, what: str, mend: str) -> Finding:
    return Finding(Severity.STOPS, f"{file}: {where}", what, mend)
