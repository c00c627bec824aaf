"""Two rooms in step, each a machine as far as one kernel allows, measured against the file that both should play.

Each has a network namespace, a clock whose crystal is off and wanders (`led_clock.py`), a real chronyd that leads it
after that of a third, and a sound card with a crystal of its own (`sound_card.py`), with or without a PulseAudio in
between. The only thing that crosses between the namespaces is NTP. Each tenth of a second that a card kept is found
again in an offline render of the piece, noise up to 8 kHz that never repeats; so it tells which frame was heard when,
to a hundredth of a frame, whatever the other room does.

`python -m tests.machine.test_in_step FOLDER SECONDS` plays in two rooms on cards and in two behind servers, cuts the
NTP of the even ones for a while, kills these, and sets the clock of the odd ones; it prints how far the rooms were
apart meanwhile, and leaves what it measured in the folder. Debian packages: chrony, libasound2-dev, gcc, iproute2.
"""

from __future__ import annotations

import csv
import os
import shutil
import subprocess
import sys
import time
from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import dataclass, replace
from itertools import pairwise
from math import isnan, nan
from pathlib import Path

import numpy as np
import pytest
import soundfile
from numpy.typing import NDArray

from tests.machine.led_clock import LedClock
from tests.machine.needs import need
from tests.machine.sound_card import NAME, RATE_HZ, Kept, SoundCard
from tests.runtime.running import Daemon
from tests.sound_server import SoundServer

pytestmark = [pytest.mark.machine, pytest.mark.timeout(1_200)]

EVENING_S = 285.0
LIKE = 0.9
"""The least correlation with the render; a stretch in a fade has a little less than 1."""
NEAR_S = 0.06
"""Where a stretch is looked for first: so far from where it would be if the room went on as before."""
LOUD = 1e-4
"""Full scale = 1; below it nothing is said."""
LOUD_DB = -80.0
"""The same in dB."""
SETTLED_S = 60.0
"""After a beginning the crystal of a card is not known yet."""
FADES_S = 15.0
"""After its clock was set, a room fades out and joins again."""
FALLS_OUT_S = 1.2
"""A card that ran dry, on a machine that others use, goes on too late until the room has fallen out; behind a server,
as long as that has frames of before. What is heard so near to a start of a card does not count.
"""
CUT, TIED = "the even rooms lose the clock of the house", "they have it again"
KILLED, BEGUN = "the even rooms are killed", "they begin again"
END = "the end"
NEAR_START = "near a start of a card"
SET = "the clocks of the odd rooms are set 20 ms ahead"
HAPPENS = {CUT: 0.30, TIED: 0.45, KILLED: 0.58, BEGUN: 0.59, SET: 0.82}
"""Each after a share of the time."""
SERVER = "10.19.{room}.1"
_FIRST = ("chrt", "--rr", "5")
"""Real-time priority: a machine that plays has nothing else to do, and here others may use its processors."""
CHRONY = """
server {server} iburst minpoll 2 maxpoll 4
maxslewrate 100
driftfile {folder}/drift
pidfile {folder}/chronyd.pid
bindcmdaddress {folder}/chronyd.sock
cmdport 0
makestep 0.001 3
"""
SERVED = """
local stratum 8
allow 10.19.0.0/16
pidfile {folder}/chronyd.pid
bindcmdaddress {folder}/chronyd.sock
cmdport 0
"""


@dataclass(frozen=True, kw_only=True)
class Machine:
    """What is off in a machine: its crystal, by how much that wanders, and its card's."""

    crystal_ppm: float
    wander_ppm: float
    card_ppm: float
    serves: bool = False
    """Whether a PulseAudio stands between the house and the card."""


ON_CARDS = (
    Machine(crystal_ppm=-38.0, wander_ppm=2.0, card_ppm=35.0),
    Machine(crystal_ppm=23.0, wander_ppm=3.0, card_ppm=-66.0),
)
BEHIND_SERVERS = tuple(replace(one, serves=True) for one in ON_CARDS)


class CardServer(SoundServer):
    """A sound server with such a card."""

    def sink(self) -> str:
        pieces = "tsched=0 mmap=0 fragments=8 fragment_size=3840"
        form = f"rate={RATE_HZ} format=float32le channels=2"
        return f"module-alsa-sink device={NAME} sink_name=gallery {form} {pieces}"


class Room:
    """A machine with a room on it."""

    def __init__(self, folder: Path, number: int, machine: Machine, space: str) -> None:
        folder.mkdir(mode=0o700)
        self.number, self.space, self.folder = number, space, folder
        self.within = (*_FIRST, "ip", "netns", "exec", space)
        self._machine = machine
        self.clock = LedClock(folder, machine.crystal_ppm, machine.wander_ppm)
        self._card = SoundCard(folder, machine.card_ppm)
        self._environment = {**self.clock.environment, **self._card.environment}
        self._server = CardServer(folder, 2) if machine.serves else None
        self.daemon = Daemon(folder, EVENING_S)
        installation = self.daemon.installation
        piece = (installation / "piece.toml").read_text(encoding="utf-8")
        (installation / "piece.toml").write_text(piece.replace("high_hz = 200", "high_hz = 8000"), encoding="utf-8")
        with (installation / "room.toml").open("a", encoding="utf-8") as room:
            room.write("\n[in_step]\n")
        self._others: list[subprocess.Popen[bytes]] = []

    def make_ready(self) -> None:
        """What is not known yet is played alone."""
        subprocess.run(
            [sys.executable, "-m", "residue", "check", str(self.daemon.installation)],
            env={**os.environ, "XDG_CACHE_HOME": str(self.daemon.cache)},
            capture_output=True,
            timeout=600,
        )

    def follow(self, server: str) -> None:
        """Has chronyd lead its clock from now on."""
        (self.folder / "chrony.conf").write_text(CHRONY.format(server=server, folder=self.folder))
        self._begin([*self.within, *_chronyd(self.folder)])

    def switch_on(self) -> None:
        """The sound server, where there is one."""
        if self._server is not None:
            self._server.environment |= self._environment
            self._server.start()
            _keep_time(self._server.pid)
            self._environment = self._server.environment

    def play(self) -> None:
        device = NAME if self._server is None else "pulse"
        self.daemon.start("--device", device, environment=self._environment, within=self.within)

    def kill(self) -> None:
        self.daemon.kill()

    def set_clock(self, by_s: float) -> None:
        subprocess.run([sys.executable, "-c", clock_set(by_s)], env=self.clock.environment, check=True)

    def tracking(self) -> str:
        asked = ["chronyc", "-h", str(self.folder / "chronyd.sock"), "-c", "tracking"]
        return subprocess.run([*self.within, *asked], capture_output=True, text=True).stdout.strip()

    def kept(self) -> list[Kept]:
        return list(self._card.kept())

    def end(self) -> None:
        self.daemon.end()
        for one in self._others:
            one.terminate()
            one.wait()
        if self._server is not None:
            self._server.kill()

    def _begin(self, command: Sequence[str]) -> None:
        with (self.folder / f"{len(self._others)}.txt").open("wb") as said:
            self._others.append(subprocess.Popen(command, env=self.clock.environment, stdout=said, stderr=said))


def clock_set(by_s: float) -> str:
    """Python that sets the clock, as if a person had done it."""
    step = "import ctypes,struct; t=ctypes.create_string_buffer(208); struct.pack_into('I',t,0,0x2100)"
    whole = int(by_s // 1)
    nanoseconds = round((by_s - whole) * 1e9)
    return f"{step}; struct.pack_into('qq',t,72,{whole},{nanoseconds}); ctypes.CDLL(None).adjtimex(t)"


def _chronyd(folder: Path, *options: str) -> list[str]:
    return ["chronyd", "-d", "-u", "root", *options, "-f", str(folder / "chrony.conf")]


def _keep_time(process: int) -> None:
    """With real-time priority, as on a machine that has nothing else to do."""
    for task in Path(f"/proc/{process}/task").iterdir():
        with suppress(OSError):
            os.sched_setscheduler(int(task.name), os.SCHED_FIFO, os.sched_param(25))


@contextmanager
def _spaces(*names: str) -> Iterator[None]:
    """Network namespaces: the first is tied to each of the others, and to nothing else."""
    ip("netns", "add", names[0])
    try:
        for number, name in enumerate(names[1:], 1):
            ip("netns", "add", name)
            ip("-n", names[0], "link", "add", f"to{number}", "type", "veth", "peer", "name", "to0", "netns", name)
            for space, link, host in ((names[0], f"to{number}", 1), (name, "to0", 2)):
                ip("-n", space, "address", "add", f"10.19.{number}.{host}/24", "dev", link)
                ip("-n", space, "link", "set", link, "up")
            ip("-n", name, "link", "set", "lo", "up")
        yield
    finally:
        for name in names:
            subprocess.run(["ip", "netns", "delete", name], capture_output=True)


def ip(*words: str) -> None:
    subprocess.run(["ip", *words], check=True)


def run(
    folder: Path,
    machines: Sequence[Machine],
    seconds: float,
    kind: type[Room] = Room,
    happens: Mapping[str, float] = HAPPENS,
) -> list[Room]:
    """All rooms for so long, while each of what happens does so after a share of it."""
    names = [f"residue-{os.getpid()}-{number}" for number in range(len(machines) + 1)]
    said = (folder / "what-happened.txt").open("w", buffering=1)

    def tell(what: str) -> None:
        said.write(f"{time.clock_gettime(time.CLOCK_BOOTTIME):.1f} {what}\n")

    with ExitStack() as stack:
        stack.enter_context(said)
        stack.enter_context(_spaces(*names))
        (folder / "third").mkdir()
        (folder / "third" / "chrony.conf").write_text(SERVED.format(folder=folder / "third"))
        third = [*_FIRST, "ip", "netns", "exec", names[0], *_chronyd(folder / "third", "-x")]
        served = stack.enter_context(subprocess.Popen(third, stderr=subprocess.DEVNULL, stdout=subprocess.DEVNULL))
        stack.callback(served.terminate)
        rooms = [kind(folder / f"room-{n}", n, one, names[n]) for n, one in enumerate(machines, 1)]
        for one in rooms:
            stack.callback(one.end)
        bags = [one.daemon.installation / "performances" for one in rooms]
        for bag in bags[1:]:
            shutil.rmtree(bag)
            shutil.copytree(bags[0], bag)
        for one in rooms:
            one.follow(SERVER.format(room=one.number))
            one.make_ready()
        for one in rooms:
            one.switch_on()
            one.play()
            time.sleep(3.7)  # nothing is to agree because both began at once
        began_s = time.monotonic()
        doings: dict[str, Callable[[], None]] = {
            CUT: lambda: _each(rooms[1::2], lambda one: _cable(names[0], one, "down")),
            TIED: lambda: _each(rooms[1::2], lambda one: _cable(names[0], one, "up")),
            KILLED: lambda: _each(rooms[1::2], lambda one: one.kill()),
            BEGUN: lambda: _each(rooms[1::2], lambda one: one.play()),
            SET: lambda: _each(rooms[::2], lambda one: one.set_clock(0.02)),
        }
        for what, share in happens.items():
            _wait(rooms, began_s + share * seconds, tell)
            tell(what)
            doings[what]()
        _wait(rooms, began_s + seconds, tell)
        tell(END)
    return rooms


def _cable(house: str, room: Room, how: str) -> None:
    """The cable to the clock of the house, up or down at that end: a machine sees a server that is gone."""
    ip("-n", house, "link", "set", f"to{room.number}", how)


def _each(rooms: Sequence[Room], do: Callable[[Room], None]) -> None:
    for one in rooms:
        do(one)


def _wait(rooms: list[Room], until_s: float, tell: Callable[[str], None]) -> None:
    while (left_s := until_s - time.monotonic()) > 0.0:
        time.sleep(min(30.0, left_s))
        for one in rooms:
            tell(f"room {one.number} chrony {one.tracking()} load {os.getloadavg()[0]:.1f}")


@dataclass(frozen=True, slots=True, kw_only=True)
class Heard:
    """at_s: by the clock of this machine. begun_s: when the performance began, by what is heard now, on the same clock;
    None if no sound, or none of the piece. clock_s: how far the machine's clock was ahead of it."""

    at_s: float
    begun_s: float | None
    performance: int
    like: float
    level_db: float
    clock_s: float
    starts: int


class Meter:
    """Finds a stretch of sound in renders of what may have been played."""

    def __init__(self, renders: Sequence[NDArray[np.float32]]) -> None:
        self._renders = renders
        self._last: tuple[int, float] | None = None

    def heard(self, one: Kept) -> Heard:
        level = float(np.sqrt(np.mean(np.square(one.frames, dtype=np.float64))))
        begun_s, number, like = None, 0, 0.0
        if level > LOUD:
            number, place, like = self._near(one) or self._anywhere(one)
            if like > LIKE:
                begun_s = one.at_s - place / RATE_HZ
                self._last = number, begun_s
        db = 20.0 * np.log10(max(level, 1e-9))
        clock_s = one.wall_ahead_s
        return Heard(
            at_s=one.at_s,
            begun_s=begun_s,
            performance=number,
            like=like,
            level_db=float(db),
            clock_s=clock_s,
            starts=one.starts,
        )

    def _near(self, one: Kept) -> tuple[int, float, float] | None:
        """Where it should be, if the room goes on as it did."""
        if self._last is None:
            return None
        number, begun_s = self._last
        place = round((one.at_s - begun_s - NEAR_S) * RATE_HZ)
        span = len(one.frames) + 2 * round(NEAR_S * RATE_HZ)
        if place < 0 or place + span > len(self._renders[number]):
            return None
        at, like = _found(self._renders[number][place : place + span], one.frames)
        return (number, place + at, like) if like > LIKE else None

    def _anywhere(self, one: Kept) -> tuple[int, float, float]:
        rough = [_rough(render, one.frames) for render in self._renders]
        number = int(np.argmax([like for _, like in rough]))
        place = max(0, rough[number][0] - 480)
        at, like = _found(self._renders[number][place : place + len(one.frames) + 960], one.frames)
        return number, place + at, like


def _correlation(inside: NDArray[np.float32], frames: NDArray[np.float32]) -> NDArray[np.float64]:
    """At each place of `inside` at which all frames fit: how alike both are, from -1 to 1."""
    length = 1 << (len(inside) + len(frames)).bit_length()
    spectrum = np.fft.rfft(inside, length) * np.conj(np.fft.rfft(frames, length))
    count = len(inside) - len(frames) + 1
    sums = np.fft.irfft(spectrum, length)[:count]
    squares = np.concatenate(([0.0], np.cumsum(np.square(inside, dtype=np.float64))))
    power = (squares[len(frames) :] - squares[: -len(frames)]) * float(np.sum(np.square(frames, dtype=np.float64)))
    return sums / np.sqrt(np.maximum(power, 1e-12))


def _rough(inside: NDArray[np.float32], frames: NDArray[np.float32]) -> tuple[int, float]:
    """The place in blocks, so that memory stays small."""
    best, step = (0, -1.0), 1 << 20
    for start in range(0, len(inside) - len(frames), step):
        alike = _correlation(inside[start : start + step + len(frames)], frames)
        place = int(np.argmax(alike))
        best = max(best, (start + place, float(alike[place])), key=lambda one: one[1])
    return best


def _found(inside: NDArray[np.float32], frames: NDArray[np.float32]) -> tuple[float, float]:
    """The place, and how alike it is there: the peak of the correlation, 16 times as fine, and of a parabola there."""
    alike = _correlation(inside, frames)
    place = int(np.argmax(alike))
    begin = min(max(0, place - 32), len(alike) - 64)
    if begin < 0:
        return float(place), float(alike[place])
    near = alike[begin : begin + 64]
    at = place - begin + np.arange(-16, 17) / 16.0
    finer = np.sinc(at[:, None] - np.arange(64)) @ near
    peak = int(np.clip(np.argmax(finer), 1, len(finer) - 2))
    left, middle, right = finer[peak - 1 : peak + 2]
    shift = 0.5 * (left - right) / (left - 2.0 * middle + right)
    return begin + float(at[peak] + shift / 16.0), float(finer[peak])


def renders(folder: Path, room: Room) -> list[NDArray[np.float32]]:
    """The first channel of the render of each evening."""
    found = []
    for name in ("first-batch", "second-batch"):
        path = folder / f"{name}.wav"
        command = ["render", str(room.daemon.installation), "--performance", name, "--out", str(path)]
        environment = {**os.environ, "XDG_CACHE_HOME": str(room.daemon.cache)}
        subprocess.run([sys.executable, "-m", "residue", *command], env=environment, check=True, capture_output=True)
        found.append(soundfile.read(path, dtype="float32", always_2d=True)[0][:, 0])
    return found


def heard(folder: Path, rooms: Sequence[Room]) -> list[list[Heard]]:
    """What each room played, second by second; a table of it stays in the folder."""
    piece = renders(folder, rooms[0])
    found = []
    for one in rooms:
        meter = Meter(piece)
        rows = [meter.heard(each) for each in one.kept()]
        with (folder / f"room-{one.number}.csv").open("w", newline="") as file:
            table = csv.writer(file)
            table.writerow(Heard.__slots__)
            table.writerows([getattr(row, name) for name in Heard.__slots__] for row in rows)
        found.append(rows)
    return found


@dataclass(frozen=True, slots=True)
class Apart:
    """Two rooms that play the same performance in one second: how much later the second one is, and its clock.

    left_out: why that second does not count; "" if it does.
    """

    at_s: float
    sound_ms: float
    clocks_ms: float
    left_out: str = ""


def apart(one: Sequence[Heard], other: Sequence[Heard]) -> Iterator[Apart]:
    """The seconds that count."""
    return (second for second in seconds_of(one, other) if not second.left_out)


def seconds_of(one: Sequence[Heard], other: Sequence[Heard]) -> Iterator[Apart]:
    """Every second, from the first to the last of which both cards kept something."""
    pair = [{round(row.at_s): row for row in rows} for rows in (one, other)]
    starts_s = [_starts_s(rows) for rows in (one, other)]
    for at_s in range(max(map(min, pair)), min(map(max, pair)) + 1):
        first, second = (rows.get(at_s) for rows in pair)
        if first is None or second is None:
            yield Apart(at_s, nan, nan, "one is not there")
        elif first.begun_s is None or second.begun_s is None:
            silent = min(first.level_db, second.level_db) < LOUD_DB
            yield Apart(at_s, nan, nan, "one is silent" if silent else "one cannot be found")
        elif first.performance != second.performance:
            yield Apart(at_s, nan, nan, "they play two performances")
        else:
            near = any(
                abs(row.at_s - start_s) < FALLS_OUT_S
                for row, times_s in zip((first, second), starts_s, strict=True)
                for start_s in times_s
            )
            sound_ms, clocks_ms = (second.begun_s - first.begun_s) * 1e3, (first.clock_s - second.clock_s) * 1e3
            yield Apart(at_s, sound_ms, clocks_ms, NEAR_START if near else "")


def _starts_s(rows: Sequence[Heard]) -> list[float]:
    return [row.at_s for before, row in pairwise(rows) if row.starts != before.starts]


def happened(folder: Path) -> dict[str, float]:
    """When what was, by CLOCK_BOOTTIME."""
    lines = (folder / "what-happened.txt").read_text().splitlines()
    return {what: float(at) for at, _, what in (line.partition(" ") for line in lines)}


def phases(folder: Path, began_s: float) -> dict[str, tuple[float, float]]:
    """The stretches between what happens."""
    at = happened(folder)
    settled = {
        "at first": (began_s, began_s + SETTLED_S),
        "then": (began_s + SETTLED_S, at[CUT]),
        CUT: (at[CUT], at[TIED]),
        TIED: (at[TIED], at[KILLED]),
        BEGUN: (at[BEGUN], at[BEGUN] + SETTLED_S),
        "settled again": (at[BEGUN] + SETTLED_S, at.get(SET, at[END])),
    }
    return settled | ({SET: (at[SET] + FADES_S, at[END])} if SET in at else {})


def print_course(folder: Path, name: str, pair: Sequence[Sequence[Heard]]) -> None:
    """How far two rooms were apart from one event to the next, and beside their clocks; what does not count, and why.

    In ms: half of the time, 95 %, and at most.
    """
    every = list(seconds_of(*pair))
    for what, (begin_s, end_s) in phases(folder, next(apart(*pair)).at_s).items():
        there = [one for one in every if begin_s <= one.at_s < end_s]
        sys.stdout.write(f"{name}, {what}, {len(there)} s:\n")
        for left_out, count in Counter(one.left_out for one in there).most_common():
            those = [one for one in there if one.left_out == left_out and not isnan(one.sound_ms)]
            figures = ""
            if those:
                sound = _spread([one.sound_ms for one in those])
                beside = _spread([one.sound_ms - one.clocks_ms for one in those])
                clocks = _spread([one.clocks_ms for one in those])
                figures = f": apart {sound}; clocks {clocks}; beside the clocks {beside}"
            sys.stdout.write(f"    {count} s {left_out or 'count'}{figures}\n")


def _spread(ms: Sequence[float]) -> str:
    half, most, all_ = np.percentile(np.abs(ms), (50, 95, 100))
    return f"{half:.3f} (95 %: {most:.3f}, at most {all_:.3f})"


def hold_in_step(folder: Path, courses: Sequence[Sequence[Heard]]) -> None:
    """The rooms are as far apart as their clocks, to a millisecond, as soon as the second one has found in."""
    both = list(apart(*courses))
    for what, (begin_s, end_s) in phases(folder, both[0].at_s).items():
        ms = [abs(one.sound_ms - one.clocks_ms) for one in both if begin_s <= one.at_s < end_s]
        if what != SET:
            assert len(ms) > 10, what
        assert max(ms, default=0.0) < (2.0 if what in ("at first", BEGUN) else 1.0), what


def test_two_rooms_with_clocks_and_cards_of_their_own_are_in_step(tmp_path: Path) -> None:
    need("unshare", "ip", "gcc", "chronyd", root=True)
    courses = heard(tmp_path, run(tmp_path, ON_CARDS, 400.0))
    hold_in_step(tmp_path, courses)
    assert sum(row.begun_s is not None for row in courses[0] if row.at_s > happened(tmp_path)[SET] + FADES_S) > 30


if __name__ == "__main__":
    where = Path(sys.argv[1])
    where.mkdir(parents=True, exist_ok=True)
    houses = run(where, ON_CARDS + BEHIND_SERVERS, float(sys.argv[2]))
    played = heard(where, houses)
    print_course(where, "on cards", played[:2])
    print_course(where, "behind servers", played[2:])
