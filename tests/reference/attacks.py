"""Random attacks on the cap stage: any caps together, any outputs, hostile sound, whatever happens to a house.

    python -m tests.reference.attacks FIRST LAST

Each number is one attack, which can be made again. It prints those in which a cap is exceeded by more than 0.01 dB, and
at the end the highest figure of each quantity. What is sent is measured with the meters of analogue_meter, which import
nothing of the project: where it arrives as it is sent, where the ways undo the delays of the outputs, and where the
outputs arrive at any times within 20 ms, or as much as their delays differ, in any polarity. A window of 8 h is a real
one: its limit is so low that a few seconds use it up. While a run plays, one sound may take another's place in a
crossfade, and caps and trims may become stricter. Each window that ends after the next frame that is sent is then held
against the new limit; against that of a further cap, each that begins after it. Before anything has reached the log
nothing becomes stricter: a run that follows one of which nothing did cannot know that its limits were looser.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from functools import lru_cache
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import numpy as np
from msgspec import structs
from numpy.typing import NDArray
from scipy import signal as sps

from residue.loudness.caps.caps import Cap, CapEntry, expand
from residue.loudness.outputs.calibration import Calibration, VibrationCalibration
from residue.loudness.outputs.outputs import Output
from residue.loudness.stage.stage import LIVE_SLICE_FRAMES, CapStage
from tests.reference.analogue_meter import RATE_HZ, analogue_db, peak_of, weighted
from tests.reference.promise import HOP_FRAMES, QUANTITIES, House, crossfaded

Floats = NDArray[np.float64]

TOLERANCE_DB = 0.01
_BANDS_HZ = {"speaker": (40.0, 10_000.0), "shaker": (12.5, 160.0)}
"""Of the noise that calibrates each kind of transducer."""
_WEIGHTING = {"aw": "Wk", "VDV": "Wk", "aw horizontal": "Wd", "VDV horizontal": "Wd", "A(8) horizontal": "Wd"}
_QUANTITIES = ("LAeq", "LCeq", "LZeq", "LGeq", "LKeq", "LCpeak", "LAFmax", *_WEIGHTING)
_WINDOWS_S = (1.0, 1.1, 2.0, 3.3, 7.0, 60.0, 900.0, 28_800.0)
_SPREAD_FRAMES = 960
_PLAYED_DBFS = -20.0
_DAY = date(2026, 3, 2)
_PLACES = 4
_FAST_S = 0.125


@dataclass(frozen=True)
class Limit:
    """One cap, and what measures it."""

    entry: CapEntry
    gains: tuple[float, ...]
    """From each output to its ear."""
    limit_db: float
    since_frame: int = 0
    """It holds for what is sent from here on."""
    begins: bool = False
    """Whether nothing limited the same before, so that it holds for windows that begin after this frame."""

    @property
    def quantity(self) -> str:
        """Its name."""
        return str(self.entry.quantity)

    def lower_by(self, db: float, since_frame: int) -> Limit:
        """A stricter one in its place."""
        changed = {
            key: value - db if key in ("limit_db", "limit_dbfs") else value * 10 ** (-db / 20)
            for key, value in structs.asdict(self.entry).items()
            if key.startswith("limit_") and value is not None
        }
        entry = structs.replace(self.entry, **changed)
        return replace(self, entry=entry, limit_db=self.limit_db - db, since_frame=since_frame)


@lru_cache
def pink_db(weighting: str, transducer: str) -> float:
    """Pink noise of a band under a weighting, by the formula of the weighting."""
    low_hz, high_hz = _BANDS_HZ[transducer]
    powers = [10 ** (analogue_db(weighting, hz) / 10) for hz in np.geomspace(low_hz, high_hz, 2_000)]
    return 10 * float(np.log10(np.mean(powers)))


class Attack(House):
    """Runs of a house with outputs and caps of its own."""

    def __init__(self, number: int, folder: Path) -> None:
        super().__init__(QUANTITIES["LZeq"], folder)
        self.rng, self.of_disk = np.random.default_rng(number), np.random.default_rng((number, 1))
        self.physical = bool(self.rng.random() < 0.6)
        self.outputs, self.heard_db, self.felt_db = self._outputs()
        self.margin_db = float(self.rng.choice([0.0, 2.1])) if self.physical else 0.0
        self.limits = [self._limit() for _ in range(self.rng.integers(1, 5))]
        self.former: list[Limit] = []
        self.window_s = max((limit.entry.window_s or 28_800.0) for limit in self.limits)

    def _outputs(self) -> tuple[dict[str, Output], list[float], list[tuple[float, float]]]:
        """The outputs, and what full scale makes of each: dB at the ear, dB re 1 m/s² up and down, and to and fro."""
        rng, outputs, heard, felt = self.rng, {}, [], []
        for channel in range(1, rng.integers(1, 4) + 1):
            transducer = "shaker" if rng.random() < 0.4 else "speaker"
            ear_db, shake_db, sway_db = rng.uniform(85.0, 115.0), rng.uniform(-10.0, 15.0), rng.uniform(-20.0, 10.0)
            read = {
                weighting: level + _PLAYED_DBFS + pink_db(weighting, transducer)
                for weighting, level in (("A", ear_db), ("C", ear_db), ("Wk", shake_db), ("Wd", sway_db))
            }
            calibration = Calibration(played_dbfs=_PLAYED_DBFS, read_dba=read["A"], read_dbc=read["C"], on=_DAY)
            vibration = VibrationCalibration(
                played_dbfs=_PLAYED_DBFS,
                read_aw_m_per_s2=10 ** (read["Wk"] / 20),
                read_horizontal_m_per_s2=10 ** (read["Wd"] / 20),
                on=_DAY,
            )
            outputs[f"output{channel}"] = Output(
                device_channel=channel,
                transducer=transducer,  # type: ignore[arg-type]
                calibration=calibration if self.physical else None,
                vibration=vibration,
                trim_db=float(rng.choice([0.0, -3.0])),
                delay_ms=float(rng.choice([0.0, 0.0, 7.3, 45.0])),
                subsonic_hz=float(rng.choice([3.0, 8.0, 20.0])),
                rise_db_per_s=300.0,
                long_term_dbfs=None,
            )
            heard.append(ear_db if self.physical else 0.0)
            felt.append((shake_db, sway_db))
        return outputs, heard, felt

    def _limit(self) -> Limit:
        """Between 20 and 45 dB below what full scale could make of it, however long its window."""
        rng, quantity = self.rng, str(self.rng.choice(_QUANTITIES))
        names = list(self.outputs)
        at = int(rng.integers(len(names))) if rng.random() < 0.3 else None
        if (weighting := _WEIGHTING.get(quantity)) is None:
            full_db = list(self.heard_db)
        else:
            full_db = [levels[weighting == "Wd"] + (2.922561 if "A(8)" in quantity else 0.0) for levels in self.felt_db]
        gains = tuple(10 ** (db / 20) if at in (None, index) else 0.0 for index, db in enumerate(full_db))
        windowed = quantity not in ("LCpeak", "LAFmax", "A(8) horizontal")
        window_s = float(rng.choice(_WINDOWS_S)) if windowed else None
        counted_s = 28_800.0 if "A(8)" in quantity else window_s or 1.0
        below_db = rng.uniform(20.0, 45.0) + 10 * np.log10(max(1.0, counted_s / 4.0))  # so that some seconds use it up
        limit_db = float(20 * np.log10(sum(gains)) - below_db)
        given: dict[str, Any] = {}
        if quantity.startswith("VDV"):
            limit_db += 5 * float(np.log10(counted_s))
            given["limit_m_per_s1_75"] = 10 ** (limit_db / 20)
        elif weighting is not None:
            given["limit_m_per_s2"] = 10 ** (limit_db / 20)
        else:
            given["limit_db" if self.physical else "limit_dbfs"] = limit_db
        entry = CapEntry(quantity=quantity, window_s=window_s, output=None if at is None else names[at], **given)
        kept_db = limit_db - (self.margin_db if self.physical or weighting is not None else 0.0)
        return Limit(entry, gains, kept_db)

    def outputs_of_room(self) -> Mapping[str, Output]:
        return self.outputs

    def caps(self) -> tuple[Cap, ...]:
        return expand([limit.entry for limit in self.limits], self.margin_db, self.margin_db)

    def sound(self, seconds: float) -> Floats:
        """(outputs, frames) of hostile sound, up to 12 dB above full scale."""
        rng, parts, frames = self.rng, [], 0
        while frames < seconds * RATE_HZ:
            time = np.arange(int(rng.integers(4_000, 60_000))) / RATE_HZ
            parts.append(self._part(time) * 10 ** (rng.uniform(-15.0, 12.0) / 20))
            frames += len(time)
        return np.concatenate(parts, axis=1)[:, : round(seconds * 10) * HOP_FRAMES]

    def _part(self, time: Floats) -> Floats:
        rng, count = self.rng, len(self.outputs)
        signs = rng.choice(np.array([-1.0, 1.0]), (count, 1))
        hz = float(np.exp(rng.uniform(np.log(8.0), np.log(16_000.0))))
        low_hz = float(rng.uniform(8.0, 60.0))
        kinds: Sequence[Callable[[], Floats]] = (
            lambda: signs * np.sin(2 * np.pi * hz * time + rng.uniform(0, 6.28)),
            lambda: signs * np.sin(2 * np.pi * low_hz * time + rng.uniform(0, 6.28, (count, 1))),
            lambda: 0.4 * rng.standard_normal((count, len(time))),
            lambda: signs * 0.4 * rng.standard_normal(len(time)),
            lambda: signs * np.where(np.arange(len(time)) % int(rng.integers(3_000, 12_000)) == 7, 4.0, 0.0),
            lambda: signs * np.sign(np.sin(2 * np.pi * low_hz * time)),
            lambda: signs * np.sin(2 * np.pi * low_hz * time) * (time % 0.21 < rng.uniform(0.005, 0.1)),
            lambda: np.where(rng.random((count, len(time))) < 1e-4, np.nan, np.sin(2 * np.pi * hz * time)),
            lambda: np.zeros((count, len(time))),
            lambda: signs * np.where(time < time[-1] / 2, 0.9, -0.7),
        )
        return kinds[int(rng.integers(len(kinds)))]() * np.ones((count, 1))

    def happen(self) -> None:
        """Some runs, each with an end or without, with a pause or none between them."""
        rng = self.rng
        if rng.random() < 0.25:
            self.slice_frames = LIVE_SLICE_FRAMES
        told = False
        for _ in range(int(rng.integers(1, 4))):
            ended, sound, meanwhile = bool(rng.random() < 0.6), self.sound(float(rng.uniform(2.0, 5.0))), {}
            untold, power_cut = (bool(self.of_disk.random() < chance) for chance in (0.3, 0.5))
            hops = sound.shape[1] // HOP_FRAMES
            if rng.random() < 0.4:
                at = int(rng.integers(1, hops - 1))
                sound = self._with_another_from(at, sound)
                meanwhile[at] = self._programme()
            told = told or not untold
            if self.slice_frames == HOP_FRAMES and rng.random() < 0.4:
                meanwhile[int(rng.integers(1, hops - 1))] = self._tighten if told else lambda stage: None
            self.run(
                sound,
                begins=self._programme(),
                meanwhile=meanwhile,
                ended=ended,
                lost_s=0.0 if ended else float(rng.uniform(0.0, 2.4)),
                stuck_s=None if ended or rng.random() < 0.5 else 1.0,
                untold=untold,
            )
            if power_cut:
                self.boot, self.booted_s = self.boot + 1, self.now_s
            if rng.random() < 0.5:
                self.clock_off_s += float(rng.choice([0.0, 7_200.0, -7_300.0]))
            self.pause(float(rng.choice([0.1, 0.5, 1.5])))

    def _programme(self) -> Callable[[CapStage], None]:
        planned, in_order = bool(self.rng.random() < 0.5), bool(self.rng.random() < 0.5)
        return lambda stage: stage.begin_programme(planned=planned, in_order=in_order)

    def _with_another_from(self, hop: int, sound: Floats) -> Floats:
        before, leaving = np.split(sound, [hop * HOP_FRAMES], axis=1)
        coming = self.sound(6.0)[:, : leaving.shape[1]]
        frames = min(leaving.shape[1], int(self.rng.integers(2_400, 4 * RATE_HZ)))
        return np.concatenate((before, crossfaded(leaving, coming, frames)), axis=1)

    def _tighten(self, stage: CapStage) -> None:
        """Some caps and trims lower, and perhaps another cap."""
        rng, since_frame = self.rng, sum(given.shape[1] for given in self.given) + 2 * HOP_FRAMES
        self.former += self.limits
        self.limits = [one.lower_by(float(rng.choice([0.0, 1.0, 6.0, 20.0])), since_frame) for one in self.limits]
        if rng.random() < 0.3:
            self.limits.append(replace(self._limit(), since_frame=since_frame, begins=True))
        if rng.random() < 0.3:
            self.outputs = {name: structs.replace(one, trim_db=one.trim_db - 5.0) for name, one in self.outputs.items()}
        self.window_s = max((limit.entry.window_s or 28_800.0) for limit in self.limits)
        stage.tighten(self.outputs, self.caps())

    def pause(self, seconds: float) -> None:
        """Nothing is sent."""
        self.given.append(np.zeros((len(self.outputs), round(seconds * RATE_HZ))))
        self.now_s += seconds

    def over_db(self) -> Iterator[tuple[str, float]]:
        """Each cap: its quantity, and its highest window against the limit."""
        sent = np.concatenate([*self.given, np.zeros((len(self.outputs), RATE_HZ // 2))], axis=1)
        sounds = np.flatnonzero(np.any(sent != 0.0, axis=0))
        for limit in (*self.former, *self.limits):
            if len(later := sounds[sounds >= limit.since_frame]) or not limit.since_frame:
                since = int(later[0]) if limit.since_frame else 0
                found = (measured_db(limit, one, since) for one in self._arriving(limit, sent))
                yield limit.quantity, max(found) - limit.limit_db

    def _arriving(self, limit: Limit, sent: Floats) -> Iterator[Floats]:
        """(frames,) at some places."""
        delays = [round(output.delay_ms * RATE_HZ / 1000) for output in self.outputs.values()]
        heard = [
            (gain * one, max(delays) - delay)
            for gain, one, delay in zip(limit.gains, sent, delays, strict=True)
            if gain
        ]
        spread = max(_SPREAD_FRAMES, max(delays) - min(delays))
        yield np.add.reduce([one for one, _ in heard])
        if len(heard) == 1:
            return
        lates = [[undone for _, undone in heard], *self.rng.integers(spread + 1, size=(_PLACES - 2, len(heard)))]
        for late in lates:
            signs = self.rng.choice([-1.0, 1.0], len(heard))
            yield np.add.reduce(
                [sign * np.pad(one, (by, spread - by)) for sign, (one, _), by in zip(signs, heard, late, strict=True)]
            )


def measured_db(limit: Limit, arriving: Floats, since: int) -> float:
    """The highest that a meter reads from a frame on, also of windows that have begun before."""
    quantity = limit.quantity
    if quantity == "LCpeak":
        return peak_of(weighted(arriving, "C", 4)[4 * since :])
    heard = weighted(arriving, _WEIGHTING.get(quantity, quantity[1]))
    if limit.begins:
        heard[: since + _SPREAD_FRAMES] = 0.0
    if quantity == "LAFmax":
        fall = np.exp(-1 / (_FAST_S * RATE_HZ))
        return 10 * float(np.log10(np.max(sps.lfilter([1 - fall], [1, -fall], heard**2)[since:]) + 1e-30))
    window_s = limit.entry.window_s or 28_800.0
    power = 4 if quantity.startswith("VDV") else 2
    running = np.cumsum(np.concatenate(([0.0], heard**power)))
    frames = round(window_s * RATE_HZ)
    ends = np.arange(since + 1, len(running))
    most = float(np.max(running[ends] - running[np.maximum(0, ends - frames)])) / RATE_HZ + 1e-30
    return 5 * float(np.log10(most)) if power == 4 else 10 * float(np.log10(most / window_s))


def attacked(number: int) -> Iterator[tuple[str, float]]:
    """Each cap of one attack: its quantity, and its highest window against its limit, in dB."""
    with TemporaryDirectory() as folder:
        attack = Attack(number, Path(folder))
        attack.happen()
        attack.log.close()
        yield from attack.over_db()


def main() -> None:
    """Prints what is over, and the highest of each quantity."""
    first, last = (int(word) for word in sys.argv[1:])
    highest: dict[str, float] = {}
    for number in range(first, last + 1):
        for quantity, over in attacked(number):
            highest[quantity] = max(over, highest.get(quantity, -np.inf))
            if over > TOLERANCE_DB:
                sys.stdout.write(f"attack {number}: {quantity} {over:+.3f} dB\n")
                sys.stdout.flush()
    found: Mapping[str, float] = dict(sorted(highest.items()))
    sys.stdout.write(", ".join(f"{quantity} {over:+.2f}" for quantity, over in found.items()) + "\n")


if __name__ == "__main__":
    main()
