"""A new installation: the four files with comments, uncalibrated, to be completed by people."""

from __future__ import annotations

from collections.abc import Sequence
from importlib.resources import files
from pathlib import Path

import tomlkit

from residue.archive.ingest.source import guess_kind
from residue.archive.performance import ChannelKind
from residue.installation.load import HOURS, PERFORMANCES, PIECE, ROOM, read_piece
from residue.installation.shapes import SHAPES
from residue.live.sensors import FILE_NAME as SENSORS
from residue.mapping.graph import Graph
from residue.mapping.signals import Kind
from residue.problems import ProblemError, stopping, stops

_KIND_OF = {"muscle": ChannelKind.MMG, "heart": ChannelKind.ECG, "brain": ChannelKind.EEG}

_ROOM = """\
# The room, for the technician.
#
# CAUTION: strong low sound and vibration can hurt: hearing, implants, pregnancy, a weak back.
# Local rules and a qualified person decide what may be played here, not this file.

place = "Untitled room"
device = "silent"                   # `residue devices` lists this machine's sound devices, to copy from
levels_at_the_ear = "unknown"       # take this line out once every output is calibrated (residue calibrate)
{outputs}
# Caps. This one holds without a calibration, in the wire. Before you calibrate, write caps in dB at the visitor's
# place beside it: the house opens once every output is calibrated. `residue caps` lists the published rules by name.

[[cap]]
quantity = "LZeq"
window_s = 60
limit_dbfs = -30.0

# [[cap]]
# rule = "who-2022"

# [[cap]]
# quantity = "LCeq"                 # A weighting hardly sees 10 to 25 Hz, where muscles sound: cap C as well
# window_s = 300
# limit_db = 95.0

[control]
# key = "at least eight letters"    # what commands must bring; `residue hold INSTALLATION` reads it here

# [page]                            # a page for a phone
# port = 8080

# [[notice]]                        # somebody who is told of faults; also "mail" and "webhook"
# kind = "command"
# name = "technician"
# run = ["/usr/local/bin/tell-me"]
"""

_OUTPUT = """\

[output.{name}]
device_channel = {channel}
# transducer = "shaker"             # felt rather than heard; it is "speaker" if this line is left out
"""

_HOURS = """\
# Opening hours and programme, for the curator. `residue hours .` lists the coming days.

time_zone = "Europe/Berlin"         # where the house stands

[weekly]                            # a day that is not named is closed
tue = ["10:00-18:00"]
wed = ["10:00-18:00"]
thu = ["10:00-18:00"]
fri = ["10:00-18:00"]
sat = ["10:00-18:00"]
sun = ["10:00-18:00"]

# [[exception]]
# date = 2026-12-24
# open = []                         # closed
# why = "Christmas Eve"

[programme]
performances = ["{performance}"]    # folders in performances/; bring one with `residue ingest` or `residue record`
rest_s = 120                        # silence after each
"""

_SENSORS = """\
# Where each channel comes from when the piece is played live (residue record), for the artist.

title = "{performance}"
device = "default"                  # the sound input; `residue devices` lists this machine's
{channels}"""

_CHANNEL = """\

[channel.{name}]
kind = "{kind}"
input = {input}                           # channel of the sound input; or address = "/…" with rate_hz, for OSC
full_scale = 1.0                    # the physical value of digital full scale, in unit
unit = "1"
"""

_BEATS = """\

[channel.{name}]
kind = "rr"
address = "/{name}"                 # an OSC message for each beat; it may carry the interval
unit = "s"
"""


def new_installation(folder: Path, *, piece: Path | None = None, shape: str = SHAPES[0]) -> Sequence[Path]:
    """Write the files of a new installation and return their paths.

    piece: a piece.toml to copy, or the folder of an installation with one; without it, a template of the given shape.
    Raises ProblemError where the folder is not empty, or the piece has faults.
    """
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise stopping(str(folder), "Something exists there already.", "Name a folder that is new or empty.")
    source = None if piece is None else (piece / PIECE if piece.is_dir() else piece)
    text = _template(shape) if source is None else _read(source)
    (folder / PERFORMANCES).mkdir(parents=True, exist_ok=True)
    (folder / PIECE).write_text(text, encoding="utf-8")
    graph = _graph(folder / PIECE)
    performance = "first-evening"
    written = {
        ROOM: uncalibrated_room(graph),
        HOURS: _HOURS.format(performance=performance),
        SENSORS: _SENSORS.format(performance=performance, channels=_channels(graph, shape)),
    }
    for name, content in written.items():
        (folder / name).write_text(content, encoding="utf-8")
    return [folder / name for name in (PIECE, *written)]


def uncalibrated_room(graph: Graph) -> str:
    """A room.toml with the outputs of a piece, without measurements, and with one cap in dBFS."""
    return _ROOM.format(outputs=_outputs(graph))


def _template(shape: str) -> str:
    return (files("residue.installation") / "templates" / f"{shape}.toml").read_text(encoding="utf-8")


def _read(source: Path) -> str:
    _graph(source)  # its faults are reported before anything is written
    return source.read_text(encoding="utf-8")


def _graph(path: Path) -> Graph:
    graph, findings = read_piece(path)
    if graph is None or stops(findings):
        raise ProblemError(findings)
    return graph


def _outputs(graph: Graph) -> str:
    return "".join(
        _OUTPUT.format(name=tomlkit.key(name).as_string(), channel=number)
        for number, name in enumerate(graph.piece.outputs, start=1)
    )


def _channels(graph: Graph, shape: str) -> str:
    tables = []
    for number, (name, kinds) in enumerate(graph.needs.items(), start=1):
        key = tomlkit.key(name).as_string()
        if kinds == {Kind.EVENTS}:
            tables.append(_BEATS.format(name=key))
            continue
        kind = ChannelKind.AUDIO if kinds == {Kind.FAST} else guess_kind(name) or _KIND_OF[shape]
        tables.append(_CHANNEL.format(name=key, kind=kind, input=number))
    return "".join(tables)
