"""The questions of a new house, as text that a person goes on with."""

from __future__ import annotations

import tomllib
from datetime import date

from residue.installation.room import Room
from residue.loudness.caps.caps import CapEntry
from residue.loudness.outputs.outputs import Output
from residue.runtime.packing.questions import room_with_questions


def test_the_name_of_an_output_may_be_in_any_script() -> None:
    """An emoji is beyond the first 65,536 characters: in JSON two escapes stand for it, in TOML 1.0 none may."""
    name = "oven \U0001f956"
    room = Room(place="Hall", device="silent", output={name: Output(device_channel=1)}, cap=[CapEntry(rule="who-2022")])
    text = room_with_questions(room, "Night Dough", date(2026, 3, 2))
    assert tomllib.loads(text)["output"] == {name: {"transducer": "speaker"}}
