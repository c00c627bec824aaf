"""From the `device` of a room to a sink."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path

from residue.loudness.meters.hops import HOP_S
from residue.loudness.outputs.outputs import Output
from residue.output.device import DeviceOpener
from residue.output.in_step import InStepSink
from residue.output.in_step_settings import InStep
from residue.output.routing import Routing
from residue.output.servo import Servo
from residue.output.silent import BUFFER_S, SilentSink
from residue.output.sink import Open, SinkLostError, TimedSink
from residue.output.together import Together
from residue.output.wav import WavSink
from residue.problems import Finding, ProblemError, Severity, stopping

OpenTimed = Callable[[], TimedSink]

_NOT_THERE = "Plug it in and switch it on, or name another device in room.toml."


def routing_of(outputs: Mapping[str, Output]) -> Routing:
    """The routing of outputs in their order."""
    return Routing(tuple(output.device_channel for output in outputs.values()))


def sink_opener(
    device: str,
    routing: Routing,
    folder: Path,
    *,
    buffer_s: float = BUFFER_S,
    block_s: float = HOP_S,
    in_step: InStep | None = None,
) -> Open:
    """The opener of the sink in `device`. buffer_s: that of a sound device. block_s: the blocks that it will be given.

    device: "silent"; "file:PATH", which keeps the pace of a device and writes a new WAV file; or a device's name.
    folder: the start of a relative PATH. in_step: whether its sound keeps step with the clock.
    Raises ProblemError.
    """
    word, _, rest = device.partition(":")
    if word in _OPENERS:
        opens = _OPENERS[word](rest, routing, folder)
    else:
        opens = DeviceOpener(device, routing, buffer_s, block_s, timed=in_step is not None)
    if in_step is None:
        return opens
    servo = Servo()  # what it learned of the device's clock is kept when the device comes back
    return lambda: InStepSink(opens(), routing, servo, in_step.behind_ms / 1000.0)


def is_real(device: str) -> bool:
    """Whether people can hear it: it is neither "silent" nor a file."""
    return device.partition(":")[0] not in _OPENERS


def check_device(device: str, outputs: Mapping[str, Output], folder: Path = Path()) -> list[Finding]:
    """Finds faults that prevent these outputs from sounding. It opens the device briefly and plays nothing."""
    try:
        open_sink = sink_opener(device, routing_of(outputs), folder)
        if not isinstance(open_sink, _FileOpener):  # the opener of a file would erase it
            open_sink().close()
    except SinkLostError as error:
        return [Finding(Severity.STOPS, "room.toml: device", str(error), _NOT_THERE)]
    except ProblemError as error:
        return list(error.findings)
    return []


def _silent(rest: str, _routing: Routing, _folder: Path) -> OpenTimed:
    if rest:
        raise stopping("device", f'"silent:{rest}" names nothing.', 'Write "silent" alone.')
    return SilentSink


def _file(rest: str, routing: Routing, folder: Path) -> OpenTimed:
    path = folder / rest
    if path.suffix.lower() != ".wav" or path.is_dir() or not path.parent.is_dir():
        what = f'"file:{rest}" names no WAV file in a folder that exists.'
        raise stopping("device", what, 'Write "file:" and the path of a file to be written that ends in .wav.')
    return _FileOpener(path, routing)


class _FileOpener:
    """Begins a new file at the first opening, and continues it afterwards."""

    def __init__(self, path: Path, routing: Routing) -> None:
        self._path = path
        self._routing = routing
        self._begun = False

    def __call__(self) -> TimedSink:
        if not self._begun:
            self._path.unlink(missing_ok=True)
        wav = WavSink(self._path, self._routing)
        self._begun = True
        return Together([wav, SilentSink()])


_OPENERS: Mapping[str, Callable[[str, Routing, Path], OpenTimed]] = {"silent": _silent, "file": _file}
