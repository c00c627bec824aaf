"""Room and hours of a house that takes an installation over: what differs there is asked for, and nothing else.

Each question is a line that begins with "# ?", and the key below it is missing until a person writes it: so
`residue check` lists what is still to be answered, and the house does not open before. No calibration goes along, no
cap and no hours: nobody has measured here yet, and nobody has decided here.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from datetime import date
from typing import Any

import msgspec
import tomlkit

from residue.installation.room import Room
from residue.loudness.outputs.outputs import SUBSONIC_HZ, Output

_ASKED = ("subsonic_hz", "ceiling_dbtp", "rise_db_per_s", "trim_db", "delay_ms")
"""Asked for where the house before had written it, and where it protects no more than what holds if it is left out."""
_DEFAULTS: Mapping[str, Any] = {field.name: field.default for field in msgspec.structs.fields(Output)}
_WEEK = '# mon = ["10:00-18:00"]'


def room_with_questions(room: Room, piece: str, taken_over: date) -> str:
    """The text of the new room.toml. room: that of the house before."""
    return "\n".join([*_room_head(room, piece, taken_over), *_outputs(room), *_caps(room)]) + "\n"


def _room_head(room: Room, piece: str, taken_over: date) -> Iterator[str]:
    yield f"# The room, for the technician: {_one_line(piece)}, taken over on {taken_over}."
    yield "#"
    yield "# CAUTION: strong low sound and vibration can hurt: hearing, implants, pregnancy, a weak back."
    yield "# Local rules and a qualified person decide what may be played here, not this file."
    yield "#"
    yield '# Answer each question: a line that begins with "# ?". `residue check` lists those that are left.'
    yield ""
    yield "# ? What is this room called?"
    yield f"# place = {_value(room.place)}"
    yield ""
    yield "# ? Which sound device plays? `residue devices` lists those of this machine."
    yield f"# device = {_value(room.device)}"
    yield ""
    yield "# Until every output is calibrated here (residue calibrate), caps in dB at the ear cannot be kept."
    yield '# For a trial before that, with caps in dBFS: levels_at_the_ear = "unknown"'


def _outputs(room: Room) -> Iterator[str]:
    for name, output in room.output.items():
        yield ""
        yield f"[output.{tomlkit.key(name).as_string()}]"
        yield "# ? Which channel of the device feeds it, counted from 1?"
        yield f"# device_channel = {output.device_channel}"
        yield f'transducer = "{output.transducer}" # "speaker" is heard, "shaker" is felt: write what is there'
        kept = list(_protecting(output))
        yield from (f"{key} = {_value(getattr(output, key))}" for key in kept)
        for key in _ASKED:
            if key not in kept and _is_written(output, key):
                yield "# ? The house before had this, for its own room. Is it right for yours?"
                yield f"# {key} = {_value(getattr(output, key))}"


def _protecting(output: Output) -> Iterator[str]:
    """The keys that protect people and loudspeakers more than what holds if they are left out: these stay in force."""
    if output.subsonic_hz is not None and output.subsonic_hz > SUBSONIC_HZ[output.transducer]:
        yield "subsonic_hz"
    for key in ("ceiling_dbtp", "rise_db_per_s"):
        if getattr(output, key) < _DEFAULTS[key]:
            yield key
    if output.long_term_dbfs is not None:
        yield from ("long_term_dbfs", "long_term_s")


def _caps(room: Room) -> Iterator[str]:
    yield ""
    yield "# ? What may a visitor receive here? Ask a qualified person who knows the rules of this place, and write at"
    yield "# least one cap. `residue caps` lists published rules. The house before had these:"
    for entry in msgspec.to_builtins(room.cap):
        yield ""
        yield "# [[cap]]"
        yield from (f"# {key} = {_value(value)}" for key, value in entry.items() if value is not None)


def hours_with_questions(hours: Mapping[str, Any], piece: str, taken_over: date) -> str:
    """The text of the new hours.toml: the programme as it was. hours: the tables of the house before, checked."""
    lines = [
        f"# Opening hours and programme, for the curator: {_one_line(piece)}, taken over on {taken_over}.",
        "",
        "# ? In which time zone does this house stand?",
        f"# time_zone = {_value(hours['time_zone'])}",
        "",
        "# ? When is this house open? The hours of the house before stand in handed-on/before/hours.toml.",
        "# [weekly]                          # a day that is not named is closed",
        _WEEK,
        "",
        tomlkit.dumps({"programme": hours["programme"]}),
    ]
    return "\n".join(lines)


def _is_written(output: Output, key: str) -> bool:
    return bool(getattr(output, key) != _DEFAULTS[key])


def _value(value: object) -> str:
    return tomlkit.item(value).as_string()


def _one_line(text: str) -> str:
    return " ".join(text.split())
