"""A room.toml that was saved while the house runs: the parts that may take force, and the differences."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from datetime import date
from typing import Any

import msgspec

from residue.installation.room import Room
from residue.loudness.caps.tightening import strictest, tightened_caps
from residue.loudness.outputs.measurement import stricter_measurement
from residue.loudness.outputs.outputs import Output

_MOST_TOLD = 5
_SHOWN = ("output.", "measurement.", "device", "place", "levels_at_the_ear")
"""Keys whose values are shown; others may hold a secret, such as a password."""


def tightened(room: Room, wanted: Room) -> Room:
    """The room in force with the stricter caps, lower trims and larger margin of another; nothing becomes louder."""
    outputs = {
        name: _lowered(output, wanted.output[name]) if name in wanted.output else output
        for name, output in room.output.items()
    }
    measurement = stricter_measurement(room.measurement, wanted.measurement)
    return msgspec.structs.replace(
        room, output=outputs, cap=tightened_caps(room.cap, wanted.cap), measurement=measurement
    )


def _lowered(output: Output, wanted: Output) -> Output:
    lower = msgspec.structs.replace(output, trim_db=min(output.trim_db, wanted.trim_db))
    asked, kept = wanted.long_term_dbfs, output.long_term_dbfs
    if asked is None or (kept is not None and (kept <= asked or wanted.long_term_s != output.long_term_s)):
        return lower
    return msgspec.structs.replace(lower, long_term_dbfs=asked, long_term_s=wanted.long_term_s)


def differences(in_force: Room, written: Room) -> str | None:
    """The differences of a room.toml to the one in force, for a person; None without a difference."""
    found = [*_differing_caps(in_force, written), *_differing_keys(in_force, written)]
    if not found:
        return None
    more = f"; and {len(found) - _MOST_TOLD} more" if len(found) > _MOST_TOLD else ""
    return "; ".join(found[:_MOST_TOLD]) + more


def _differing_caps(in_force: Room, written: Room) -> Iterator[str]:
    kept, asked = strictest(in_force.caps), strictest(written.caps)
    for kind, cap in (kept | asked).items():
        limits = [caps[kind].limit_in_words if kind in caps else "no cap" for caps in (asked, kept)]
        if limits[0] != limits[1]:
            yield f"{cap.name}: {limits[0]} in the file, {limits[1]} in force"


def _differing_keys(in_force: Room, written: Room) -> Iterator[str]:
    kept, asked = (dict(_keys(msgspec.to_builtins(room))) for room in (in_force, written))
    for key in kept | asked:
        if kept.get(key) != asked.get(key) and key.partition(".")[0] != "cap":
            values = f": {_shown(asked.get(key))} in the file, {_shown(kept.get(key))} in force"
            yield key + (values if key.startswith(_SHOWN) else "")


def _keys(value: Any, at: str = "") -> Iterator[tuple[str, Any]]:
    """Each key with a value, by its path."""
    if isinstance(value, Mapping):
        for name, inner in value.items():
            yield from _keys(inner, f"{at}.{name}" if at else name)
    elif value is not None:
        yield at, value


def _shown(value: Any) -> str:
    return "nothing" if value is None else f"{value:g}" if isinstance(value, float) else str(value)


def room_toml(room: Room) -> str:
    """The text of a room.toml with this content."""
    import tomlkit  # reading knows another library; this one is for what is written

    return tomlkit.dumps(_without_none(msgspec.to_builtins(room, builtin_types=(date,))))


def _without_none(value: Any) -> Any:
    if isinstance(value, Mapping):
        return {key: _without_none(inner) for key, inner in value.items() if inner is not None}
    return [_without_none(inner) for inner in value] if isinstance(value, list | tuple) else value
