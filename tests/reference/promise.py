"""The promise, measured: the highest window of each quantity against its limit, and what is left unused under it.

    python -m tests.reference.promise [QUANTITY …]
    python -m tests.reference.promise exposure
    python -m tests.reference.promise cut

It plays hostile audio through the cap stage while everything happens that happens to a house, and measures all that
was sent with the meters of analogue_meter: each output for itself, and where the two arrive at once or one 7.94 ms
later, in phase and in opposite phase. What a run knows of the runs before it has gone through the real level log.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, timedelta
from functools import lru_cache
from itertools import pairwise
from pathlib import Path
from tempfile import TemporaryDirectory
from types import MappingProxyType
from typing import Any, cast

import numpy as np
from numpy.typing import NDArray

from residue.dsp.retiming import ONE, Retimer
from residue.loudness.calibration.calibration_signals import pink_noise
from residue.loudness.caps.caps import Cap, CapEntry, expand
from residue.loudness.outputs.calibration import VibrationCalibration
from residue.loudness.outputs.outputs import Output
from residue.loudness.stage.history import LogLag, SentHistory
from residue.loudness.stage.stage import LIVE_SLICE_FRAMES, CapStage
from residue.mapping.playback import Played
from residue.output.held_back import HeldBack
from residue.output.servo import MOST_PPM
from residue.runtime.engine.crossfade import EveningCrossfade
from residue.runtime.journal.event_kinds import ENDED, STARTED
from residue.runtime.journal.log import LevelLog, LevelRow, Row, event, timestamp
from residue.runtime.journal.tallies import Circumstances, Tallies
from residue.runtime.system.clock import Uptime
from tests.reference.analogue_meter import (
    RATE_HZ,
    delayed,
    dose,
    equivalent_db,
    fast_maximum_db,
    peak_db,
    power,
    weighted,
)

Floats = NDArray[np.float64]

HOP_FRAMES = 4_800
WINDOW_S = 2.0
_DAY_S = 28_800.0
_STEP_FRAMES = 10 * RATE_HZ
_PART_S = 2.5
_LATER_MS = 7.94
"""Half a period of 63 Hz."""
_FELT_DBFS, _FELT_MS2 = -20.0, 0.2
_THEN = Circumstances(house="playing", performance="all", playhead_s=0.0, plan_gain_db=0.0, trim_db=0.0)
_FADE_FRAMES = RATE_HZ // 2
_CUT_HZ = (10.0, 16.0, 20.0, 25.0, 31.5, 40.0, 63.0, 100.0, 200.0)
_CUTS = 16
"""Places in a period at which a tone is cut."""
_SPARED_AFTER_S = 2.4
"""So much may be sent in full before the log lags, and a hop more is on its way: LogWriter.lags."""


@dataclass(frozen=True)
class Measured:
    """A quantity with the limit that it is held to here, and a steady sound that would pass it."""

    entry: CapEntry | None
    """None for the ceiling of each output."""
    limit: float
    """In dB, of the meter below."""
    meter: Callable[[Floats], float]
    steady_hz: float | None = None
    """None: white noise."""
    vibrates: bool = False


def _mean(weighting: str, window_s: float = WINDOW_S) -> Callable[[Floats], float]:
    return lambda arriving: equivalent_db(arriving, weighting, window_s)


@lru_cache
def _felt_db(weighting: str) -> float:
    """What the noise of the calibration reads on the meter, against the reading that the calibration states."""
    noise = np.tile(pink_noise("shaker").loop, 2) * 10 ** (_FELT_DBFS / 20)
    read = np.sqrt(np.mean(weighted(noise, weighting)[len(noise) // 2 :] ** 2))
    return 20 * float(np.log10(_FELT_MS2 / read))


def _felt(weighting: str) -> Callable[[Floats], float]:
    return lambda arriving: equivalent_db(arriving, weighting, WINDOW_S) + _felt_db(weighting)


def _dose(weighting: str) -> Callable[[Floats], float]:
    return lambda arriving: 20 * float(np.log10(dose(arriving, weighting, WINDOW_S) + 1e-30)) + _felt_db(weighting)


def _sound(quantity: str, limit_dbfs: float, meter: Callable[[Floats], float], hz: float | None = None) -> Measured:
    windowed = quantity.endswith("eq")
    entry = CapEntry(quantity=quantity, window_s=WINDOW_S if windowed else None, limit_dbfs=limit_dbfs)
    return Measured(entry, limit_dbfs, meter, hz)


QUANTITIES: Mapping[str, Measured] = {
    "LAeq": _sound("LAeq", -32.0, _mean("A")),
    "LCeq": _sound("LCeq", -32.0, _mean("C")),
    "LZeq": _sound("LZeq", -32.0, _mean("Z")),
    "LGeq": _sound("LGeq", -32.0, _mean("G"), 16.0),
    "LKeq": _sound("LKeq", -32.0, _mean("K")),
    "LCpeak": _sound("LCpeak", -24.0, lambda arriving: peak_db(arriving, "C", finer=8), 1000.0),
    "LAFmax": _sound("LAFmax", -32.0, lambda arriving: fast_maximum_db(arriving, "A"), 1000.0),
    "aw": Measured(
        CapEntry(quantity="aw", window_s=WINDOW_S, limit_m_per_s2=0.05),
        20 * float(np.log10(0.05)),
        _felt("Wk"),
        20.0,
        vibrates=True,
    ),
    "VDV": Measured(
        CapEntry(quantity="VDV", window_s=WINDOW_S, limit_m_per_s1_75=0.1),
        20 * float(np.log10(0.1)),
        _dose("Wk"),
        20.0,
        vibrates=True,
    ),
    "aw horizontal": Measured(
        CapEntry(quantity="aw horizontal", window_s=WINDOW_S, limit_m_per_s2=0.05),
        20 * float(np.log10(0.05)),
        _felt("Wd"),
        20.0,
        vibrates=True,
    ),
    "true peak": Measured(None, -9.0, lambda arriving: peak_db(arriving, "Z", finer=8), 1000.0),
}


# What is asked for.


def _time() -> Floats:
    return np.arange(round(_PART_S * RATE_HZ)) / RATE_HZ


def hostile() -> Floats:
    """(2, frames): each in turn, at up to twice full scale."""
    time, rng = _time(), np.random.default_rng(7)
    noise = rng.standard_normal((2, len(time)))
    low = [np.tile(np.sin(2 * np.pi * hz * time), (2, 1)) for hz in (16.0, 31.5)]
    bursts = noise * np.stack([time % 0.7 < 0.05, (time - 0.008) % 0.7 < 0.05]) * 2.0
    impulses = np.tile(np.where(np.arange(len(time)) % 9_601 == 4_000, 8.0, 0.0), (2, 1))
    opposite = np.sin(2 * np.pi * 63.0 * time) * np.array([[1.0], [-1.0]])
    steps = np.tile(np.where(time % 0.5 < 0.25, 0.9, -0.4) * (1.0 + (time > 2.0)), (2, 1))
    high = np.tile(np.sin(2 * np.pi * 8_000.0 * time + np.pi / 6), (2, 1))
    return np.concatenate([*low, noise * 0.5, bursts, impulses, opposite, steps, high], axis=1)


def steady(hz: float | None) -> Floats:
    """(2, frames): alike on both outputs."""
    time = np.arange(round(4 * WINDOW_S * RATE_HZ)) / RATE_HZ
    sound = np.random.default_rng(8).standard_normal(len(time)) * 0.3 if hz is None else np.sin(2 * np.pi * hz * time)
    return np.tile(sound, (2, 1))


# What happens to it.


@dataclass
class House:
    """Runs one after the other, with the log between them."""

    measured: Measured
    folder: Path
    delay_ms: float = 0.0
    window_s: float = WINDOW_S
    slice_frames: int = HOP_FRAMES

    def __post_init__(self) -> None:
        self.given: list[Floats] = []
        self.now_s, self.boot, self.booted_s = 100_000.0, 1, 0.0
        self.clock_off_s = 0.0
        self.log = LevelLog(self.folder / "levels.sqlite")

    @property
    def up(self) -> Uptime:
        return Uptime(f"boot {self.boot}", self.now_s - self.booted_s)

    @property
    def clock(self) -> datetime:
        return datetime(2026, 3, 2, tzinfo=UTC) + timedelta(seconds=self.now_s + self.clock_off_s)

    def stage(self) -> CapStage:
        """Knows what the log tells."""
        history = self.log.sent_before(self.clock, self.up, self.window_s) if self.given else SentHistory()
        return CapStage(self.outputs_of_room(), self.caps(), history, slice_frames=self.slice_frames)

    def caps(self) -> tuple[Cap, ...]:
        return () if self.measured.entry is None else expand([self.measured.entry])

    def outputs_of_room(self) -> Mapping[str, Output]:
        felt = VibrationCalibration(
            played_dbfs=_FELT_DBFS, read_aw_m_per_s2=_FELT_MS2, read_horizontal_m_per_s2=_FELT_MS2, on=date(2026, 3, 2)
        )
        kind: dict[str, Any] = (
            {"transducer": "shaker", "vibration": felt, "long_term_dbfs": None} if self.measured.vibrates else {}
        )
        if self.measured.entry is None:
            kind["ceiling_dbtp"] = self.measured.limit
        return {
            "left": Output(device_channel=1, subsonic_hz=8.0, rise_db_per_s=300.0, **kind),
            "right": Output(device_channel=2, subsonic_hz=8.0, rise_db_per_s=300.0, delay_ms=self.delay_ms, **kind),
        }

    def pause(self, seconds: float) -> None:
        """Nothing is sent."""
        self.given.append(np.zeros((2, round(seconds * RATE_HZ))))
        self.now_s += seconds

    def run(
        self,
        sound: Floats,
        *,
        begins: Callable[[CapStage], None] = lambda stage: None,
        meanwhile: Mapping[int, Callable[[CapStage], None]] = MappingProxyType({}),
        ended: bool = True,
        breaks_off: bool = False,
        lost_s: float = 0.0,
        stuck_s: float | None = None,
        untold: bool = False,
    ) -> list[Row]:
        """One run of the program, with the rows that it logs; it fades where it has an end.

        Without an end: after a kill, the process that plays fades its last block out; breaks_off: after a power cut,
        nothing does. meanwhile: what is done to the stage before which hop. lost_s: at its end, without a row. stuck_s:
        the disk takes nothing from then on. untold: it takes nothing of this run, not even that it began.
        """
        if ended:
            fade = np.minimum(1.0, np.arange(sound.shape[1])[::-1] / _FADE_FRAMES)
            sound = np.concatenate((sound * fade, np.zeros((len(sound), 5 * HOP_FRAMES))), axis=1)
        stage, tallies = self.stage(), Tallies()
        begins(stage)
        rows: list[Row] = [event(self.clock, self.up, STARTED, "")]
        rows += tallies.rows(stage.take_tally(), self.clock, self.up, _THEN)
        hops = sound.shape[1] // HOP_FRAMES
        for hop, block in enumerate(np.split(sound[:, : hops * HOP_FRAMES], hops, axis=1)):
            at_s = hop * 0.1
            if hop in meanwhile:
                meanwhile[hop](stage)
            lags = stuck_s is not None and at_s >= stuck_s + _SPARED_AFTER_S
            stage.spare(LogLag.RUN if untold else LogLag.ROWS if lags else LogLag.NONE)
            self.given.append(stage.process(block).frames)
            self.now_s += 0.1
            if (hop + 1) % 10 == 0:
                told = list(tallies.rows(stage.take_tally(), self.clock, self.up, _THEN))
                rows += told if at_s < (hops * 0.1 - lost_s if stuck_s is None else stuck_s) else []
        if ended:
            rows += [
                *tallies.rows(stage.take_tally(), self.clock, self.up, _THEN),
                event(self.clock, self.up, ENDED, ""),
            ]
        elif not breaks_off:
            before, last = np.split(self.given[-1], [HOP_FRAMES - self.slice_frames], axis=1)
            self.given[-1] = np.concatenate((before, _faded_out(last)), axis=1)
        if not untold:
            self.log.write(rows)
        return rows


def _faded_out(block: Floats) -> Floats:
    """(outputs, frames): what the process that plays makes of the last block that it was given."""
    played: list[bytes] = []
    held_back = HeldBack(_Plays(played), len(block))
    held_back.play(block.T.astype(np.float32).tobytes())
    held_back.fade_out()
    return np.frombuffer(played[0], np.float32).reshape(-1, len(block)).T.astype(np.float64)


@dataclass
class _Plays:
    """A stream of a sound device."""

    played: list[bytes]

    def write(self, frames: bytes) -> bool:
        self.played.append(frames)
        return False


Happening = Callable[[House, Floats], None]


def as_it_is(house: House, sound: Floats) -> None:
    house.run(sound)


def unplanned(house: House, sound: Floats) -> None:
    house.run(sound, begins=lambda stage: stage.begin_programme(planned=False))


def live(house: House, sound: Floats) -> None:
    house.slice_frames = LIVE_SLICE_FRAMES
    unplanned(house, sound)


def live_and_killed(house: House, sound: Floats) -> None:
    house.slice_frames = LIVE_SLICE_FRAMES
    kills(house, sound)


def _pieces(sound: Floats, seconds: float) -> Iterator[Floats]:
    frames = round(seconds * RATE_HZ)
    yield from (sound[:, start : start + frames] for start in range(0, sound.shape[1] - frames, frames))


def restarts(house: House, sound: Floats) -> None:
    for piece in _pieces(sound, 3.0):
        house.run(piece)
        house.pause(0.5)


def kills(house: House, sound: Floats) -> None:
    for piece in _pieces(sound, 5.0):
        house.run(piece, ended=False, lost_s=2.4)
        house.pause(0.5)


def cuts_with_a_stuck_disk(house: House, sound: Floats) -> None:
    for number, piece in enumerate(_pieces(sound, 5.0)):
        power_cut = number % 2 == 0  # or a kill
        house.run(piece, ended=False, breaks_off=power_cut, stuck_s=1.0)
        if power_cut:  # and a machine that comes up faster than any does
            house.boot, house.booted_s = house.boot + 1, house.now_s
        house.pause(0.5)


def untold_runs(house: House, sound: Floats) -> None:
    """Each part twice in a run of which nothing reaches the disk; it is killed, and another begins at once.

    The machine starts between some of them. No power cut breaks the sound off: its click is measured elsewhere.
    """
    for number, piece in enumerate(_pieces(sound, _PART_S)):
        house.run(np.tile(piece, 2), ended=False, untold=True)
        if number % 2 == 0:
            house.boot, house.booted_s = house.boot + 1, house.now_s
        house.pause(0.1)
        house.run(piece)


def clock_steps(house: House, sound: Floats) -> None:
    for number, piece in enumerate(_pieces(sound, 3.0)):
        house.run(piece)
        house.clock_off_s += 7_200.0 if number % 2 else -7_300.0
        house.pause(0.5)


def closings(house: House, sound: Floats) -> None:
    parts = []
    for piece in _pieces(sound, 4.0):
        fade = np.minimum(1.0, np.arange(piece.shape[1])[::-1] / RATE_HZ)
        parts += [piece * fade, np.zeros((2, RATE_HZ // 2))]
    house.run(np.concatenate(parts, axis=1))


class _Bag:
    """A playback of a sound."""

    def __init__(self, sound: Floats) -> None:
        self._sound, self._at = sound, 0

    def step(self, frames: int) -> Played:
        self._at += frames
        return cast(Played, _Part(self._sound[:, self._at - frames : self._at]))


@dataclass
class _Part:
    outputs: Floats
    ended: bool = False


def swaps(house: House, sound: Floats) -> None:
    """From one part of 6 s to the next, in 4 s, as one bag takes another's place. The parts have all of the sound."""
    parts = [sound[:, start * RATE_HZ : (start + 6) * RATE_HZ] for start in (0, 6, 12, 14, 0)]
    given = [crossfaded(leaving, coming[:, : 5 * RATE_HZ], 4 * RATE_HZ) for leaving, coming in pairwise(parts)]
    house.run(np.concatenate(given, axis=1), begins=lambda stage: stage.begin_programme(planned=True, in_order=False))


def crossfaded(leaving: Floats, coming: Floats, frames: int) -> Floats:
    """(outputs, frames of coming): as the engine moves from one to the other; leaving must be as long."""
    fade = EveningCrossfade(cast(Any, _Bag(leaving)), 1.0, frames)
    blocks = range(0, coming.shape[1], HOP_FRAMES)
    return np.concatenate([fade.into(coming[:, at : at + HOP_FRAMES]) for at in blocks], axis=1)


def delays(house: House, sound: Floats) -> None:
    house.delay_ms = _LATER_MS
    house.run(sound)


def in_step(house: House, sound: Floats) -> None:
    """The device is fed faster and slower than it plays, as far as the servo may, and more quickly than it does."""
    house.run(sound)
    retimer, turns = Retimer(2), np.arange(len(house.given)) / 400.0
    ppm = MOST_PPM * np.cos(2.0 * np.pi * turns)
    house.given = [retimer(given, round((1.0 + one * 1e-6) * ONE)) for given, one in zip(house.given, ppm, strict=True)]


HAPPENINGS: Mapping[str, Happening] = {
    "as it is": as_it_is,
    "unplanned": unplanned,
    "live": live,
    "live and killed": live_and_killed,
    "restarts": restarts,
    "kills": kills,
    "power cuts, disk stuck": cuts_with_a_stuck_disk,
    "untold runs": untold_runs,
    "clock steps": clock_steps,
    "closings": closings,
    "swaps": swaps,
    "delays": delays,
    "in step": in_step,
}


# What is measured.


def arrivals(sent: Floats) -> Iterator[Floats]:
    """(frames,) at each place, and each output for itself."""
    left, right = sent
    yield from (left, right)
    for here, there in (
        (left, right),
        (left, delayed(right, _LATER_MS / 1000)),
        (right, delayed(left, _LATER_MS / 1000)),
    ):
        yield from (here + there, here - there)


def over_db(name: str, happening: Happening, sound: Floats | None = None) -> float:
    """The highest window against the limit, in dB; below 0 if the cap holds."""
    measured = QUANTITIES[name]
    with TemporaryDirectory() as folder:
        house = House(measured, Path(folder))
        happening(house, hostile() if sound is None else sound)
        house.log.close()
    end = house.given[-1] * np.linspace(1.0, 0.0, house.given[-1].shape[1])  # the meter wants an end in silence
    sent = np.concatenate([*house.given[:-1], end], axis=1)
    heard = sent if measured.entry is None else arrivals(sent)
    return max(measured.meter(one) for one in heard) - measured.limit


def unused_db(name: str) -> float:
    """What a steady sound that is too loud leaves of the limit."""
    return -over_db(name, as_it_is, steady(QUANTITIES[name].steady_hz))


def cut_db(name: str) -> tuple[float, float]:
    """The highest window against the limit where a loud tone is cut at the worst place of its period, and its Hz."""
    measured, found = QUANTITIES[name], []
    for hz in _CUT_HZ:
        with TemporaryDirectory() as folder:
            house = House(measured, Path(folder))
            house.run(0.99 * np.tile(np.sin(2 * np.pi * hz * np.arange(4 * RATE_HZ) / RATE_HZ), (2, 1)), ended=False)
            house.log.close()
        sent = np.concatenate(house.given[:-1], axis=1)
        for early in range(_CUTS):
            cut = sent[:, : sent.shape[1] - round(early / _CUTS * RATE_HZ / hz)]
            silent = np.pad(cut, ((0, 0), (0, RATE_HZ // 2)))
            heard = silent if measured.entry is None else (silent[0], silent[0] + silent[1])
            found.append((max(measured.meter(one) for one in heard) - measured.limit, hz))
    return max(found)


def exposure(played_minutes: int = 20) -> float:
    """LAeq over any 8 h against its limit, in dB, in the middle of all that happens.

    A minute 0.3 dB below the limit, and its rows in the log again and again for the next 465. Then live noise, 6 dB too
    loud, in runs of two minutes: one is stopped, one killed, one loses its log and then its power, one is stopped
    before a step of the clock. The window moves in steps of 10 s.
    """
    limit_dbfs = -32.0
    cap = CapEntry(quantity="LAeq", window_s=_DAY_S, limit_dbfs=limit_dbfs)
    noise = np.random.default_rng(9).standard_normal((2, 120 * RATE_HZ))
    noise *= 10 ** ((limit_dbfs - equivalent_db(noise[0] + noise[1], "A", 60.0)) / 20)
    with TemporaryDirectory() as folder:
        house = House(Measured(cap, limit_dbfs, _mean("A", _DAY_S)), Path(folder), window_s=_DAY_S)
        first = house.run(noise[:, : 60 * RATE_HZ] * 10 ** (-0.3 / 20))
        told: list[Any] = [row for row in first if not isinstance(row, LevelRow)]
        powers = _powers(house)
        for _ in range(465):
            told = [
                replace(row, utc=_later(row.utc, 60.0), up_s=row.up_s + 60.0)
                for row in told
                if not isinstance(row, LevelRow)
            ]
            house.log.write(told)
            house.now_s += 60.0
            powers += powers[:6]
        for number in range(played_minutes // 2):
            _IN_TURN[number % len(_IN_TURN)](house, noise * 2.0)
            house.pause(10.0)
            powers += _powers(house)
        house.log.close()
    running = np.cumsum(np.stack([np.zeros(4), *powers]), axis=0)
    steps = round(_DAY_S * RATE_HZ / _STEP_FRAMES)
    return 10 * float(np.log10(np.max(running[steps:] - running[:-steps]) / steps)) - limit_dbfs


def _later(utc: str, seconds: float) -> str:
    return timestamp(datetime.fromisoformat(utc) + timedelta(seconds=seconds))


def _powers(house: House) -> list[Floats]:
    """(4,) for each step given: the A-weighted mean squares of each output, and of both in phase and opposite phase."""
    sent = np.concatenate(house.given, axis=1)
    whole = sent.shape[1] // _STEP_FRAMES
    house.given = [sent[:, whole * _STEP_FRAMES :]]
    return [
        np.array([power(one, "A") for one in (left, right, left + right, left - right)])
        for left, right in np.split(sent[:, : whole * _STEP_FRAMES], whole, axis=1)
    ]


def _stopped(house: House, sound: Floats) -> None:
    house.run(sound, begins=lambda stage: stage.begin_programme(planned=False))


def _killed(house: House, sound: Floats) -> None:
    house.run(sound, begins=lambda stage: stage.begin_programme(planned=False), ended=False, lost_s=2.4)


def _cut_with_a_stuck_disk(house: House, sound: Floats) -> None:
    house.run(
        sound, begins=lambda stage: stage.begin_programme(planned=False), ended=False, breaks_off=True, stuck_s=60.0
    )
    house.boot, house.booted_s = house.boot + 1, house.now_s


def _before_a_step_of_the_clock(house: House, sound: Floats) -> None:
    _stopped(house, sound)
    house.clock_off_s = -house.clock_off_s or 7_200.0


_IN_TURN = (_stopped, _killed, _stopped, _cut_with_a_stuck_disk, _stopped, _before_a_step_of_the_clock)


def rows(names: Sequence[str]) -> Iterator[str]:
    """A table in Markdown, line by line."""
    yield f"| quantity | {' | '.join(HAPPENINGS)} | steady |"
    yield "| --- " * (len(HAPPENINGS) + 2) + "|"
    for name in names:
        found = [over_db(name, happening) for happening in HAPPENINGS.values()]
        yield f"| {name} | {' | '.join(f'{over:.2f}' for over in found)} | {-unused_db(name):.2f} |"


def main() -> None:
    """Prints the table."""
    if sys.argv[1:] == ["exposure"]:
        sys.stdout.write(f"LAeq over 8 h: {exposure():.2f} dB against the limit\n")
        return
    if sys.argv[1:] == ["cut"]:
        for name in QUANTITIES:
            over, hz = cut_db(name)
            sys.stdout.write(f"{name}: {over:.2f} dB against the limit, a tone of {hz:g} Hz that is cut\n")
            sys.stdout.flush()
        return
    for row in rows(sys.argv[1:] or list(QUANTITIES)):
        sys.stdout.write(f"{row}\n")
        sys.stdout.flush()


if __name__ == "__main__":
    main()
