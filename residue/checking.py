"""From raw TOML to a checked record, with every fault of a file found at once.

msgspec validates one value well, but stops at the first fault, and does not know the file, the value in it, or the
nearest valid key. So this module walks the tables and calls msgspec for each value.
"""

from __future__ import annotations

import ipaddress
import re
import tomllib
from collections.abc import Iterable, Iterator, Mapping
from enum import Enum
from functools import cache
from itertools import islice
from math import isfinite
from pathlib import Path
from types import UnionType
from typing import Any, TypeVar, Union, get_args, get_origin

import msgspec

from residue.problems import STEERING, Finding, Severity, nearest
from residue.small_files import read_small
from residue.wording import TYPES, explained, shortened, toml_explained, too_long

StructT = TypeVar("StructT", bound=msgspec.Struct)

_LEAST, _MOST = -(2**63), 2**63 - 1
"""Whole numbers beyond these are not TOML (TOML 1.0, "Integer"), although tomllib reads many of them."""
_MOST_BYTES = 1_000_000
"""Far more than a person writes by hand: a larger file is not read."""
_MOST_FAULTS = 100
"""Of one table or list: the rest of it is not looked at."""
_DEEP = re.compile(r"""(?<![\w-])(?:(?:[\w-]++|"[^"\n]*+"|'[^'\n]*+')[ \t]*+\.[ \t]*+){32}""")
"""A key of so many parts, for which tomllib takes a time that grows with their square. No line of text looks so."""
_NESTED = "Lists or tables are nested too deeply.", "Remove the innermost."
_TOO_LONG = "A whole number has too many digits here.", "Write one of at most 18 digits."


def ip_address(text: str) -> ipaddress.IPv4Address | ipaddress.IPv6Address:
    """The IP address in a file; raises ValueError, with a sentence for people, where it is not one."""
    try:
        return ipaddress.ip_address(text)
    except ValueError:
        why = "A name cannot be used: the service may only reach the addresses that are in its unit."
        raise ValueError(f'"{text}" is not an IP address. Write one such as 192.0.2.7. {why}') from None


def check_networks(key: str, networks: Iterable[str]) -> None:
    """Raises ValueError, with a sentence for people, for the first word under a key that is not a network."""
    for network in networks:
        try:
            ipaddress.ip_network(network)
        except ValueError:
            raise ValueError(
                f'{key} has "{network}", which is not a network. Write one such as 192.0.2.0/24.'
            ) from None


DEVICES = "/dev/"


def check_device_nodes(nodes: Iterable[str]) -> None:
    """Raises ValueError, with a sentence for people, for the first word that is not a device node."""
    for node in nodes:
        if not node.startswith(DEVICES):
            raise ValueError(f"'{node}' is not a device node. Write one such as /dev/ttyUSB0.")


def opened_by(nodes: Iterable[str], *words: str) -> tuple[str, ...]:
    """Every device node that a program opens, once: those of room.toml, and the words of its command that are some."""
    return tuple(dict.fromkeys([*nodes, *(word for word in words if word.startswith(DEVICES))]))


def is_name(host: str) -> bool:
    """Whether it needs a name server: it is not an IP address, and not this machine itself."""
    try:
        ipaddress.ip_address(host)
    except ValueError:
        return host != "localhost"
    return False


MISSING = "The file is missing."


def read_toml(path: Path) -> tuple[dict[str, Any], list[Finding]]:
    """The tables of a file; empty, with the reason, where it cannot be read."""
    where, text = path.name, ""
    try:
        text = read_small(path, _MOST_BYTES).decode("utf-8-sig")  # some editors put a mark before UTF-8 text
        text = text.replace("\r\n", "\n").replace("\r", "\n")
        if deep := _DEEP.search(text):
            where += f": line {text.count(chr(10), 0, deep.start()) + 1}"
            fault = _NESTED
        else:
            raw = tomllib.loads(text)
            beyond = next(_beyond(raw), None)
            if beyond is None:
                return raw, []
            where += f": {beyond}"
            fault = _TOO_LONG
    except FileNotFoundError:
        fault = (MISSING, f"Put a {path.name} into {path.absolute().parent}.")
    except UnicodeDecodeError as error:
        line = error.object.count(b"\n", 0, error.start) + 1
        where += f": line {line}"
        fault = ("This is not UTF-8 text.", "Save the file as UTF-8.")
    except OSError as error:
        fault = (f"The file cannot be read: {error.strerror}.", "Check its permissions and the disk.")
    except tomllib.TOMLDecodeError as error:
        at, fault = toml_explained(error, text)
        where += at
    except ValueError:  # Python reads no number of more than some thousand digits
        where += too_long(text)
        fault = _TOO_LONG
    except RecursionError:
        fault = _NESTED
    return {}, [Finding(Severity.STOPS, where, *fault)]


def _beyond(raw: object, at: str = "") -> Iterator[str]:
    """The key paths of the whole numbers that are too large for TOML."""
    if isinstance(raw, int) and not _LEAST <= raw <= _MOST:
        yield at
    for key, item in _items(raw).items():
        yield from _beyond(item, _join(at, key))


@cache  # as msgspec compiles the types from text each time that it is asked for them
def _fields(record: type[msgspec.Struct]) -> Mapping[str, msgspec.structs.FieldInfo]:
    """The fields of a record by the keys that people write."""
    return {field.encode_name: field for field in msgspec.structs.fields(record)}


def check(
    raw: Mapping[str, Any], record: type[StructT], file: str, at: str = ""
) -> tuple[StructT | None, list[Finding]]:
    """The record that the table `raw` of a file describes, or None and every reason why there is none.

    at: the key path of the table within the file.
    """
    findings: list[Finding] = []
    values: dict[str, Any] = {}
    fields = _fields(record)
    raw = {key: value for key, value in raw.items() if key != record.__struct_config__.tag_field}
    whole = True  # for this table's own keys; a fault within a table below omits only that table
    for key in islice((key for key in raw if key not in fields), _MOST_FAULTS):
        findings.append(_finding(file, _join(at, key), what="This key is not known here.", mend=nearest(key, fields)))
    for key, field in fields.items():
        where = _join(at, key)
        if key in raw:
            value, found = _check_value(raw[key], field.type, file, where)
            if not found:
                values[field.name] = value
            elif field.required or not _records(_parts(field.type)):
                whole = False
            findings += found
        elif field.required:
            whole = False
            table = _table(field.type, where)
            mend = f"Write a table {table}." if table else f"Write {key} = {_expected(field.type)}."
            findings.append(_finding(file, where, what="This key is missing.", mend=mend))
    if not whole:
        return None, findings
    try:
        checked = record(**values)
    except ValueError as error:  # from a record's own __post_init__: sentences for people, one for each fault
        return None, findings + [_fault(file=file, at=at, sentences=str(fault)) for fault in error.args]
    return (None, findings) if findings else (checked, [])


def _check_value(raw: object, wanted: Any, file: str, where: str) -> tuple[Any, list[Finding]]:
    """One value as the type wanted; tables and lists are walked, so that all their faults are found."""
    of_items = _item_type(raw, wanted)
    if of_items is None and isinstance(raw, Mapping) and (records := _records(_options(wanted))):
        record, findings = _meant(raw, records, file, where)
        return check(raw, record, file, where) if record else (None, findings)
    items = _items(raw) if of_items is not None else {}
    findings = []
    for key, item in items.items():
        findings += _steering(key, file=file, where=_join(where, key))
        findings += _check_value(item, of_items, file, _join(where, key))[1]
        if len(findings) >= _MOST_FAULTS:
            break
    if isinstance(raw, float) and not isfinite(raw):  # TOML has them as numbers, and no bound of a range excludes them
        findings.append(_finding(file, where, what=f"{raw} is not a finite number.", mend="Write a finite number."))
    if isinstance(raw, str):
        findings += _steering(raw, file=file, where=where)
    if findings:
        return None, findings
    try:
        return msgspec.convert(raw, wanted), []
    except msgspec.ValidationError as error:
        return None, [_translate(error, raw, wanted, file, where)]


def _steering(text: str, *, file: str, where: str) -> Iterator[Finding]:
    """Finds control characters that a TOML escape put into a key or a text."""
    if steering := STEERING.search(text):
        what = f"It contains the control character U+{ord(steering[0]):04X}."
        yield _finding(file, where, what=what, mend="Take it out.")


def _items(raw: object) -> Mapping[str, object]:
    """The items of a table or a list, each with its key."""
    if isinstance(raw, Mapping):
        return {str(key): item for key, item in raw.items()}
    return {f"[{number}]": item for number, item in enumerate(raw, start=1)} if isinstance(raw, list) else {}


def _meant(
    raw: Mapping[str, Any], records: Mapping[object, type[msgspec.Struct]], file: str, where: str
) -> tuple[type[msgspec.Struct] | None, list[Finding]]:
    """The record type of a table: the only possible one, or the one that it names; or the reason why there is none."""
    if len(records) == 1:
        return next(iter(records.values())), []
    key = str(next(iter(records.values())).__struct_config__.tag_field)
    named = raw.get(key)
    if isinstance(named, str) and named in records:
        return records[named], []
    names = [str(tag) for tag in records]
    if key not in raw:
        return None, [_finding(file, f"{where}.{key}", what="This key is missing.", mend=nearest("", names))]
    return None, [
        _finding(file, f"{where}.{key}", what=f"{_shown(named)} is not allowed here.", mend=nearest(str(named), names))
    ]


def _translate(error: msgspec.ValidationError, raw: object, wanted: Any, file: str, where: str) -> Finding:
    """The finding for a wrong value; the values within it have been checked already."""
    mend, choices = explained(error), _choices(wanted)
    if isinstance(raw, str) and choices and raw not in choices:
        mend = nearest(raw, choices)
    elif isinstance(raw, str) and (examples := _examples(wanted)):
        mend = f"Write it as in {_shown(examples[0])}."
    elif isinstance(raw, Mapping | list) and (table := _table(wanted, where)):
        mend = f"Write a table {table}." if _item_type(raw, wanted) is None else mend
    return _finding(file, where, what=f"{_shown(raw)} is not allowed here.", mend=mend)


def _choices(wanted: Any) -> set[str]:
    """The words that a type allows, where it is one of a set of words."""
    parts = _parts(wanted)
    named = [word.value for part in parts if isinstance(part, type) and issubclass(part, Enum) for word in part]
    return {word for word in (*parts, *named) if isinstance(word, str)}


def _examples(wanted: Any) -> list[Any]:
    """Examples of text that a type accepts."""
    return [
        example for meta in getattr(wanted, "__metadata__", ()) for example in getattr(meta, "examples", None) or ()
    ] + [example for option in get_args(wanted) for example in _examples(option)]


def _records(types: Iterable[Any]) -> Mapping[object, type[msgspec.Struct]]:
    """The record types among some types, by their tags."""
    found = (one for one in types if isinstance(one, type) and issubclass(one, msgspec.Struct))
    return {one.__struct_config__.tag: one for one in found}


def _item_type(raw: object, wanted: Any) -> Any:
    """The type that the values of a table or the items of a list must have; None where `raw` is neither."""
    for option in _options(wanted):
        origin, arguments = get_origin(option), get_args(option)
        if isinstance(raw, Mapping) and origin is dict:
            return arguments[1]
        if isinstance(raw, list) and (origin is list or (origin is tuple and arguments[-1] is Ellipsis)):
            return arguments[0]
    return None


def _table(wanted: Any, where: str) -> str:
    """The heading under which a type is written as a table; empty where it is not a table."""
    kept = next((option for option in _options(wanted) if get_origin(option) in (dict, list, tuple)), None)
    records = _records(_parts(wanted))
    if kept is not None and get_origin(kept) is dict:
        return f"[{where}.NAME]" if records or get_origin(get_args(kept)[1]) is dict else f"[{where}]"
    if not records:
        return ""
    return f"[{where}]" if kept is None else f"[[{where}]]"


def _options(wanted: Any) -> list[Any]:
    """The types of a union, or the only one, without what Annotated says of them."""
    if hasattr(wanted, "__metadata__"):
        return _options(wanted.__origin__)
    if get_origin(wanted) in (Union, UnionType):
        return [one for option in get_args(wanted) for one in _options(option)]
    return [wanted]


def _parts(wanted: Any) -> list[Any]:
    arguments = get_args(wanted)
    return [part for argument in arguments for part in _parts(argument)] if arguments else [wanted]


def _expected(wanted: Any) -> str:
    kinds = [get_origin(option) or option for option in _options(wanted)]
    names = dict.fromkeys("array" if kind in (list, tuple) else getattr(kind, "__name__", "") for kind in kinds)
    return " or ".join(TYPES[name] for name in names if name in TYPES) or "…"


def _shown(raw: object) -> str:
    """A value as TOML writes it, cut short."""
    return shortened(_written(raw))


def _written(raw: object) -> str:
    match raw:
        case bool():
            return str(raw).lower()
        case str():
            return f'"{raw}"'
        case list():
            return f"[{', '.join(map(_written, raw))}]"
        case Mapping() if raw:
            return f"{{ {', '.join(f'{key} = {_written(item)}' for key, item in raw.items())} }}"
    return str(raw)


def _join(at: str, key: str) -> str:
    key = shortened(key)
    return f"{at}{key}" if key.startswith("[") else f"{at}.{key}" if at else key


def _fault(*, file: str, at: str, sentences: str) -> Finding:
    """A record's own fault: sentences for people, perhaps after their key, as in "tue: …"."""
    return Finding(Severity.STOPS, f"{file}: {at}" if at else file, sentences, "")


def _finding(file: str, where: str, *, what: str, mend: str) -> Finding:
    return Finding(Severity.STOPS, f"{file}: {where}", what, mend)
