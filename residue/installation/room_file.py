"""Writes a calibration into room.toml and leaves comments and all other lines as they were."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import msgspec
import tomlkit
from tomlkit.items import InlineTable, Item

from residue.archive.beside import file_beside
from residue.loudness.outputs.calibration import AnyCalibration, Origin
from residue.problems import stopping

_BEFORE = re.compile(r"(^|; )before: .*$")


def record(path: Path, output: str, measured: Mapping[str, AnyCalibration]) -> None:
    """Writes the measurement of an output, by its key; the old value becomes a comment behind it.

    An interruption at any moment leaves the old file or the new. Raises ProblemError, and then does not change the
    file.
    """
    path = path.resolve()  # a link stays a link, and its target is written
    text = path.read_text(encoding="utf-8-sig")
    written = with_measured(text, output, measured)
    if written is None:
        lines = "; ".join(f"{key} = {_inline(value).as_string()}" for key, value in measured.items())
        where = f"{path.name}: output.{output}"
        raise stopping(
            where, "The layout of this table does not allow an automatic change.", f"Write into it by hand: {lines}."
        )
    with file_beside(path) as beside:
        beside.write_text(written, encoding="utf-8")


def with_measured(text: str, output: str, measured: Mapping[str, AnyCalibration]) -> str | None:
    """The text of room.toml with the measurement; None where the layout of the file does not allow it."""
    document = tomlkit.parse(text)
    table: Any = document["output"][output]
    for key, value in measured.items():
        old = table.get(key)
        if old is None or isinstance(old, InlineTable):
            table[key] = _inline(value)
            if old is not None:
                _keep(table[key], old)
        else:  # a table with its own heading
            given = _given(value)
            for name in [name for name in old if name not in given]:
                del old[name]
            for name, figure in given.items():
                former = old.get(name)
                old[name] = figure
                if former is not None:
                    _keep(old[name], former)
    written = _untouched_lines_kept(text, tomlkit.dumps(document))
    return written if _only_these_changed(text, written, output=output, measured=measured) else None


def _untouched_lines_kept(before: str, after: str) -> str:
    """Restores lines that differ from the former text only in blanks (tomlkit loses some)."""
    former = {"".join(line.split()): line for line in before.splitlines(keepends=True)}
    return "".join(former.get("".join(line.split()), line) for line in after.splitlines(keepends=True))


def _keep(item: Item, old: Item) -> None:
    """The old value as a comment behind the new one, after the technician's own comment."""
    own = _BEFORE.sub("", old.trivia.comment.removeprefix("#").strip())
    former = old.as_string().strip().replace("{ ", "{").replace(" }", "}")
    item.comment("; ".join(part for part in (own, f"before: {former}") if part))


def _given(value: AnyCalibration) -> dict[str, Any]:
    """The keys that a person would write: those with a value other than the default."""
    defaults = {field.name: field.default for field in msgspec.structs.fields(value)}
    held = msgspec.structs.asdict(value)
    readings_first = sorted(held, key=lambda key: key in Origin.__struct_fields__)
    return {key: held[key] for key in readings_first if held[key] != defaults[key]}


def _inline(value: AnyCalibration) -> InlineTable:
    table = tomlkit.inline_table()
    table.update(_given(value))
    return table


def _only_these_changed(before: str, after: str, *, output: str, measured: Mapping[str, AnyCalibration]) -> bool:
    wanted = tomllib.loads(before)
    wanted["output"][output].update({key: _given(value) for key, value in measured.items()})
    try:
        return tomllib.loads(after) == wanted
    except tomllib.TOMLDecodeError:
        return False
