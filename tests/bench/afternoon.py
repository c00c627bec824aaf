"""An artist's afternoon, and the time that each part of it takes: python -m tests.bench.afternoon

From recordings that other people's devices wrote to a piece for four loudspeakers and a shaker, ten edits heard
in the room, another evening in the place of the first one, and back. The recordings are real; the room is silent.
"""

from __future__ import annotations

import logging
import os
import re
import shutil
import signal
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from residue.runtime.listening.listening import Wish, listen
from tests.first_hour.person import Person, running_house
from tests.reference.recordings import brainvision_file, ecg_systole, emg_file
from tests.runtime.asking import until, wait_until
from tests.runtime.running import free_port

FIRST, SECOND = "first-evening", "second-evening"
_ECG_S = 300
_HEARD_BYTES = 48_000 * 5 * 4
"""A second of the five outputs."""

PIECE = """
title = "What the Arms Knew"
outputs = ["left", "right", "back_left", "back_right", "floor"]
closing_fade_s = 4

[node.arm]
kind = "channel"
channel = "arm"

[node.strain]
kind = "envelope"
input = "arm"
release_s = 0.5

[node.voice]
kind = "muscle_voice"
input = "arm"
low_hz = 20
high_hz = 200
transpose = "none"
drive_db = -40

[node.chest]
kind = "channel"
channel = "chest"

[node.beat]
kind = "beats"
input = "chest"

[node.knock]
kind = "strike"
input = "beat"
frequency_hz = 55
decay_s = 0.5
gain_db = -14

[node.scalp]
kind = "channel"
channel = "scalp"

[node.hum]
kind = "sound"
input = "scalp"

[node.murmur]
kind = "bandpass"
input = "hum"
low_hz = 30
high_hz = 120

[node.front]
kind = "output"
input = "voice"
to = ["left", "right"]
gain_db = -12

[node.back]
kind = "output"
input = "murmur"
to = ["back_left", "back_right"]
gain_db = -70

[node.ground]
kind = "output"
input = "knock"
to = ["floor", "left"]
gain_db = -6

[[section]]
name = "kneading"
at_most_s = 60

[[section]]
name = "rest"
at_most_s = 600
set = { "ground.gain_db" = -9.0 }
"""
EDITS = (
    ("high_hz = 200", "high_hz = 260"),
    ("drive_db = -40", "drive_db = -38"),
    ("frequency_hz = 55", "frequency_hz = 49"),
    ("decay_s = 0.5", "decay_s = 0.7"),
    ("release_s = 0.5", "release_s = 0.8"),
    ("high_hz = 120", "high_hz = 150"),
    ("gain_db = -70", "gain_db = -66"),
    ('to = ["floor", "left"]', 'to = ["floor", "right"]'),
    ("gain_db = -12", "gain_db = -10"),
    ("low_hz = 20", "low_hz = 25"),
)
OUTPUT = "[output.{name}]\ndevice_channel = {channel}\n"
ROOM = """
place = "Studio"
device = "silent"
levels_at_the_ear = "unknown"
{outputs}transducer = "shaker"
[[cap]]
quantity = "LZeq"
window_s = 60
limit_dbfs = -20.0
[control]
port = {port}
"""
HOURS = """
time_zone = "Europe/Berlin"
opening_hours = "24/7"
[programme]
performances = ["first-evening"]
rest_s = 2
"""
DESCRIBED = """
title = "{title}"
[channel.arm]
kind = "emg"
unit = "uV"
file = "arm.mat"
signal = "Vastus Lateralis - AUX 3 (Channel 1->1) - GR08MM1305 ({electrode})[uV]"
[channel.chest]
kind = "ecg"
unit = "mV"
file = "chest.npy"
signal = "array"
[channel.scalp]
kind = "eeg"
unit = "uV"
file = "{scalp}"
signal = "O1"
[table."chest.npy"]
rate_hz = 1000
"""


@dataclass
class Afternoon:
    """What was done, with the seconds that it took by the clock."""

    artist: Person
    port: int = field(default_factory=free_port)
    took: list[tuple[str, float]] = field(default_factory=list)

    @contextmanager
    def timed(self, what: str) -> Iterator[None]:
        began_s = time.monotonic()
        yield
        self.took.append((what, time.monotonic() - began_s))

    def bring(self, bag: str, electrode: int, task: str) -> None:
        """The files of three recorders, as they are, become one sealed performance."""
        stick = self.artist.folder / bag
        stick.mkdir()
        shutil.copy(emg_file(), stick / "arm.mat")
        np.save(stick / "chest.npy", ecg_systole()["ecg"][: _ECG_S * 1000])
        header = brainvision_file(task)
        for file in (header, header.with_suffix(".eeg")):
            shutil.copy(file, stick)
        text = DESCRIBED.format(title=bag, electrode=electrode, scalp=header.name)
        (self.artist.folder / f"{bag}.toml").write_text(text, encoding="utf-8")
        files = " ".join(f"{bag}/{name}" for name in ("arm.mat", "chest.npy", header.name))
        into = f"loaf/performances/{bag}" if bag == FIRST else f"{bag}.bag"
        with self.timed(f"ingest of {bag}"):
            shown = self.artist.types(f"residue ingest {files} --into {into} --describe {bag}.toml")
        assert "Sealed as" in shown

    def write(self) -> None:
        folder, names = (
            self.artist.folder / "loaf",
            re.findall(r'"(\w+)"', PIECE.partition("outputs = ")[2].split("\n")[0]),
        )
        outputs = "".join(OUTPUT.format(name=name, channel=number) for number, name in enumerate(names, 1))
        (folder / "piece.toml").write_text(PIECE, encoding="utf-8")
        (folder / "room.toml").write_text(ROOM.format(outputs=outputs, port=self.port), encoding="utf-8")
        (folder / "hours.toml").write_text(HOURS, encoding="utf-8")

    def edit(self) -> Path:
        """Ten edits, each saved when the one before is heard; gives the WAV of what was heard."""
        wav, heard = self.artist.folder / "heard.wav", _Told()
        logging.getLogger("residue").addHandler(heard)
        logging.getLogger("residue").setLevel(logging.INFO)

        def edits() -> None:
            wait_until(lambda: wav.exists() and wav.stat().st_size > _HEARD_BYTES)
            for number, edit in enumerate(EDITS, 1):
                with self.timed(f"edit {number}, until it is at the place that is heard"):
                    self.artist.writes("loaf/piece.toml", edit)
                    wait_until(lambda number=number: heard.count("Changed: ") >= number)  # type: ignore[misc]
            time.sleep(1.0)  # the last one is heard as well
            os.kill(os.getpid(), signal.SIGINT)

        person = threading.Thread(target=edits, daemon=True)
        person.start()
        wish = Wish(folder=self.artist.folder / "loaf", performance=FIRST, from_s=10.0, room=True, device=f"file:{wav}")
        try:
            listen(wish, self.artist.folder / "state", self.artist.folder / "cache" / "residue")
        finally:
            logging.getLogger("residue").removeHandler(heard)
        person.join()
        return wav

    def swap(self) -> None:
        """Another evening in the place of the first, while the house plays, and back."""
        with running_house("loaf", "--device", "silent", "--state", "house"):
            with self.timed("from the start of the house to the first evening"):
                until(self.port, lambda told: told["performance"] == FIRST)
            for what, command in ((SECOND, f"{SECOND}.bag --in-place-of {FIRST}"), ("back", "--back")):
                with self.timed(f"swap: {what}"):
                    taken = _taken(self.port)
                    self.artist.types(f"residue swap loaf {command} --now")
                    until(self.port, lambda told, taken=taken: _count(told) > taken)  # type: ignore[misc]


class _Told(logging.Handler):
    """Keeps what is told."""

    def __init__(self) -> None:
        super().__init__()
        self._lines: list[str] = []

    def emit(self, record: logging.LogRecord) -> None:
        self._lines.append(record.getMessage())

    def count(self, words: str) -> int:
        return sum(words in line for line in self._lines)


def _count(told: dict[str, object]) -> int:
    return str(told["events"]).count("it has taken it")


def _taken(port: int) -> int:
    return _count(until(port, lambda told: True))


def afternoon(folder: Path, also: Callable[[Afternoon, Path], None] = lambda one, wav: None) -> Afternoon:
    """The whole of it, in an empty folder that is the current one. also: called with what was heard of the edits."""
    one = Afternoon(Person(folder))
    (folder / "loaf" / "performances").mkdir(parents=True)
    one.bring(FIRST, electrode=12, task="EC")
    one.bring(SECOND, electrode=40, task="EO")
    one.write()
    with one.timed("check, with the levels of the whole evening"):
        assert "It can open." in one.artist.types("residue check loaf")
    also(one, one.edit())
    with one.timed("render of a minute"):
        one.artist.types(f"residue render loaf --performance {FIRST} --out minute.wav --to-s 60")
    one.swap()
    return one


def main() -> None:
    """Prints the times."""
    with tempfile.TemporaryDirectory() as folder:
        os.environ["XDG_CACHE_HOME"], os.environ["XDG_STATE_HOME"] = f"{folder}/cache", f"{folder}/state"
        os.chdir(folder)
        for what, took_s in afternoon(Path(folder)).took:
            sys.stdout.write(f"{took_s:7.1f} s  {what}\n")


if __name__ == "__main__":
    main()
