"""Where a piece is heard while it is written: on headphones, or in its room."""

from __future__ import annotations

import errno
import socket
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from residue.installation.load import check_room_for, room_of
from residue.installation.room import Room
from residue.loudness.caps.caps import Cap, protecting_caps
from residue.loudness.caps.cautions import CAUTIONS
from residue.loudness.outputs.outputs import Output
from residue.loudness.stage.history import LogLag
from residue.loudness.stage.readings import Tally
from residue.loudness.stage.stage import CapStage
from residue.mapping.graph import Graph
from residue.output.opening import routing_of, sink_opener
from residue.output.returning import ReturningSink
from residue.problems import ProblemError, stopping, stops
from residue.runtime.engine.snapshot import Snapshot
from residue.runtime.journal.evidence import Evidence
from residue.runtime.journal.tallies import Circumstances
from residue.runtime.listening import headphones
from residue.runtime.system.clock import Clock, uptime
from residue.runtime.system.files import occupied

_DEFAULT_DEVICE = "default"


@dataclass(frozen=True, slots=True)
class ListeningPlace:
    """The outputs of a place, its cap stage, and how a piece gets there."""

    outputs: Mapping[str, Output]
    stage: CapStage
    open_sink: Callable[[], ReturningSink]
    """Raises ProblemError where there is no such sound device."""
    mix: Callable[[Sequence[str], NDArray[np.float64]], NDArray[np.float64]]
    """From the outputs of a piece, by their names, to those of the place."""
    check: Callable[[Graph], None]
    """Raises ProblemError where a piece cannot be heard there."""
    sent: Callable[[Tally, Snapshot], None]
    """Notes what was sent."""
    log_lags: Callable[[int], LogLag]
    """As for an Engine."""
    words: Sequence[str]
    """For whoever is there: the place, its caps, and cautions."""


def on_headphones(device: str | None) -> ListeningPlace:
    """Headphones, on the default sound device of the machine if none is named."""
    return ListeningPlace(
        headphones.OUTPUTS,
        CapStage(headphones.OUTPUTS, headphones.CAPS),
        _opener(device or _DEFAULT_DEVICE, headphones.OUTPUTS, Path()),
        mix=headphones.mixed,
        check=lambda _graph: None,
        sent=lambda _tally, _then: None,
        log_lags=lambda _frames: LogLag.NONE,
        words=[f"On headphones, at each ear: {headphones.IN_WORDS}.", headphones.CAUTION],
    )


@contextmanager
def in_the_room(
    folder: Path, graph: Graph, performance: str, *, device: str | None, state: Path, clock: Clock
) -> Iterator[ListeningPlace]:
    """The room of room.toml with its caps, if no house plays there; what is sent is logged, and counts afterwards.

    Raises ProblemError.
    """
    room, names = room_of(folder), list(graph.piece.outputs)
    findings = check_room_for(graph, room)
    if stops(findings):
        raise ProblemError(findings)
    _check_free(room)
    outputs = {name: room.output[name] for name in names}
    longest_s = max(cap.window_s for cap in (*room.caps, *protecting_caps(outputs)))

    def check(edited: Graph) -> None:
        if list(edited.piece.outputs) != names:
            what = f"They were {', '.join(names)}, and the room is open for these."
            raise stopping("piece.toml: outputs", what, "End with Ctrl-C and listen again.")

    def sent(tally: Tally, then: Snapshot) -> None:
        at_s = then.playhead_s
        evidence.sent(
            tally,
            Circumstances(house="playing", performance=performance, playhead_s=at_s, plan_gain_db=None, trim_db=0.0),
        )

    with occupied(state):
        evidence = Evidence(state, clock)
        with evidence.kept(f"Listening to {performance}.", f"Listened to {performance}."):
            yield ListeningPlace(
                outputs,
                CapStage(outputs, room.caps, evidence.log.sent_before(clock.now(), uptime(), longest_s)),
                _opener(device or room.device, outputs, Path() if device else state),
                mix=lambda _names, sound: sound,
                check=check,
                sent=sent,
                log_lags=evidence.lags,
                words=[f"In the room {room.place}: {_in_words(room.caps)}.", *CAUTIONS],
            )


def _opener(device: str, outputs: Mapping[str, Output], folder: Path) -> Callable[[], ReturningSink]:
    opens = sink_opener(device, routing_of(outputs), folder)

    def opened() -> ReturningSink:
        sink = ReturningSink(opens)
        if sink.lost is not None:
            why = sink.lost
            sink.close()
            raise stopping("--device", why, "`residue devices` lists them; `silent` and file:NAME.wav need none.")
        return sink

    return opened


def _check_free(room: Room) -> None:
    """Raises ProblemError where a house runs: it holds the address for its commands."""
    at = (room.control.listen, room.control.port)
    family = socket.AF_INET6 if ":" in room.control.listen else socket.AF_INET
    with socket.socket(family, socket.SOCK_DGRAM) as trying:
        try:
            trying.bind(at)
        except OSError as error:
            if error.errno == errno.EADDRINUSE:
                what = f"A house holds the room: something listens at {at[0]}, port {at[1]}."
                raise stopping("room.toml: control", what, "End it, or listen on headphones.") from error


def _in_words(caps: Sequence[Cap]) -> str:
    return ", ".join(f"{cap.name} at most {cap.limit_in_words}" for cap in caps)
