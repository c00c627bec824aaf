"""Faults of sensors, put onto recordings of real bodies: what each reading then shows, and with how much trust.

A reading is right while it shows what it shows of the same recording without the fault, give or take its tolerance; the
other reference tests hold that against other programs. It is honest while its trust is below a half, which a house
shows as not measured. What no reading may be for long is wrong and sure. Where a fault leaves nothing of the body, or
the recording is one of something else, whatever is sure is wrong.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from functools import cache

import numpy as np
from numpy.typing import NDArray
from scipy import signal
from scipy.ndimage import maximum_filter1d, minimum_filter1d

from residue.archive.conversion import fitted
from residue.dsp.resampling import resampled
from residue.mapping.node import Node
from residue.mapping.nodes import KINDS
from residue.mapping.signals import CONTROL_RATE_HZ, FRAMES_PER_TICK, Signal
from residue.mapping.trust import DOUBTFUL
from tests.archive.streams import held_stream
from tests.mapping.single import read
from tests.reference import recordings

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Body:
    """Channels of one sensor as they were recorded. values: (channels, samples).

    open_at: around which level the sensor lies once it is off; in the middle where that is not known (None).
    """

    values: Floats
    rate_hz: int
    open_at: float | None = None

    def part(self, from_s: float, to_s: float) -> Body:
        return replace(self, values=self.values[:, round(from_s * self.rate_hz) : round(to_s * self.rate_hz)])

    @property
    def off(self) -> Floats:
        """(channels, 1): the level once the sensor is off."""
        middle = np.median(self.values, axis=1, keepdims=True)
        return np.asarray(middle if self.open_at is None else np.full_like(middle, self.open_at), np.float64)

    @property
    def swing(self) -> Floats:
        """(channels, 1): the distance between the lowest and the highest hundredth."""
        low, high = np.percentile(self.values, (1.0, 99.0), axis=1, keepdims=True)
        return np.asarray(high - low, np.float64)


@cache
def ecg() -> Body:
    """Two minutes of systole's record, in mV."""
    record = recordings.ecg_systole()
    return Body(record.values, record.rate_hz).part(60.0, 180.0)


@cache
def pulse() -> Body:
    record = recordings.one_body()
    return Body(record["pulse"][None], record.rate_hz)


@cache
def skin() -> Body:
    """In uS; between open electrodes nothing is conducted."""
    record = recordings.one_body()
    return Body(record["eda"][None], record.rate_hz, open_at=0.0)


@cache
def belt() -> Body:
    record = recordings.breath_belt()
    return Body(record.values, record.rate_hz).part(0.0, 180.0)


@cache
def muscle() -> Body:
    record = recordings.emg_vastus()
    return Body(record["emg4"][None], record.rate_hz)


@cache
def scalp() -> Body:
    """A minute over the back of the head, eyes closed, in uV."""
    record = recordings.eeg_eyes_closed()
    return Body(record["Oz"][None], record.rate_hz).part(60.0, 120.0)


@cache
def waist() -> Body:
    """Three walks with errands between them, in g."""
    record, _ = recordings.walk()
    return Body(record.values, record.rate_hz)


# Faults -------------------------------------------------------------------------------------------------------------

Made = Callable[[Body, np.random.Generator], Floats]


@dataclass(frozen=True)
class Fault:
    """made: what the sensor gives instead.

    leaves: whether the body can still be heard. in_the_middle: whether it begins there. least_rate_hz: a slower
    recorder cannot hear it.
    """

    made: Made
    leaves: bool = True
    in_the_middle: bool = False
    least_rate_hz: int = 0


def _seconds(body: Body) -> Floats:
    return np.arange(body.values.shape[1]) / body.rate_hz


def _band(body: Body, random: np.random.Generator, low_hz: float, high_hz: float) -> Floats:
    """Noise of standard deviation 1 in a band, like the body in shape."""
    white = random.normal(size=body.values.shape)
    sections = signal.butter(4, [low_hz, min(high_hz, 0.45 * body.rate_hz)], "bandpass", fs=body.rate_hz, output="sos")
    made = signal.sosfilt(sections, white)
    scaled: Floats = made / made.std(axis=1, keepdims=True)
    return scaled


def _hum(body: Body, hz: float) -> Floats:
    """Of amplitude 1, as sampled: what a slow recorder hears of it is folded."""
    made: Floats = np.sin(2 * np.pi * hz * _seconds(body))
    return made


def _packets(body: Body, seconds: float) -> list[slice]:
    length = max(1, round(seconds * body.rate_hz))
    return [slice(at, at + length) for at in range(0, body.values.shape[1], length)]


def _lost(share: float, seconds: float) -> Made:
    def made(body: Body, random: np.random.Generator) -> Floats:
        values = body.values.copy()
        for packet in _packets(body, seconds)[1:]:
            if random.random() < share:
                values[:, packet] = values[:, packet.start - 1 : packet.start]
        return values

    return made


def _repeated(body: Body, random: np.random.Generator) -> Floats:
    """Packets of 50 ms that come again in the place of the next ones."""
    values = body.values.copy()
    packets = _packets(body, 0.05)
    for before, packet in itertools.pairwise(packets):
        if random.random() < 0.1:
            width = values[:, packet].shape[1]
            values[:, packet] = values[:, before][:, :width]
    return values


def _clipped(share: float) -> Made:
    """The converter's range is only so much of the swing."""

    def made(body: Body, random: np.random.Generator) -> Floats:
        middle, reach = np.median(body.values, axis=1, keepdims=True), share * body.swing / 2
        return np.clip(body.values, middle - reach, middle + reach)

    return made


def _touched(body: Body, random: np.random.Generator) -> Floats:
    """Every 15 s a hand for 3 s: slow movement three times the swing, and hum."""
    touch = (_seconds(body) % 15.0 > 12.0).astype(np.float64)
    return body.values + body.swing * touch * (_band(body, random, 0.3, 6.0) + 0.5 * _hum(body, 50.0))


def _hums(hz: float, share: float) -> Made:
    return lambda body, random: body.values + share * body.swing * _hum(body, hz)


def _falls_off(after: Made) -> Made:
    """From the middle on only what the open sensor gives."""

    def made(body: Body, random: np.random.Generator) -> Floats:
        half = body.values.shape[1] // 2
        return np.concatenate((body.values[:, :half], after(body, random)[:, half:]), axis=1)

    return made


def _open(body: Body, random: np.random.Generator) -> Floats:
    """Hum and a random walk."""
    walk = np.cumsum(random.normal(size=body.values.shape), axis=1)
    made: Floats = body.off + body.swing * (_hum(body, 50.03) + walk / np.sqrt(10.0 * body.rate_hz))
    return made


def _last_digit(body: Body, random: np.random.Generator) -> Floats:
    """A level with noise of a third of the converter's last digit, of which the body had 500."""
    digit = body.swing / 500.0
    return digit * np.round(body.off / digit + 0.3 * random.normal(size=body.values.shape) + 0.4)


def _flat(body: Body, random: np.random.Generator) -> Floats:
    return np.repeat(body.off, body.values.shape[1], axis=1)


def _noise(low_hz: float, high_hz: float) -> Made:
    return lambda body, random: (
        np.median(body.values, axis=1, keepdims=True) + 0.3 * body.swing * _band(body, random, low_hz, high_hz)
    )


def _walks(body: Body, random: np.random.Generator) -> Floats:
    """Steps at 1.1 Hz shake the sensor: a blow each, of two damped swings."""
    at_s = _seconds(body)
    since = at_s % (1 / 1.1)
    blow = np.exp(-since / 0.08) * np.sin(2 * np.pi * 6.0 * since)
    return np.median(body.values, axis=1, keepdims=True) + body.swing * (blow + 0.01 * random.normal(size=len(at_s)))


def _swings(body: Body, random: np.random.Generator) -> Floats:
    """A cable that swings at 1.1 Hz."""
    noise = 0.01 * random.normal(size=body.values.shape)
    return np.median(body.values, axis=1, keepdims=True) + 0.5 * body.swing * (_hum(body, 1.1) + noise)


def _drifts(body: Body, random: np.random.Generator) -> Floats:
    """Slow movement with twice the swing, up to half a hertz."""
    return body.values + body.swing * _band(body, random, 0.05, 0.5)


def _stuck(row: int, at: float | None = None) -> Made:
    """At its first value where no other is given."""

    def made(body: Body, random: np.random.Generator) -> Floats:
        values = body.values.copy()
        values[row] = values[row, 0] if at is None else at
        return values

    return made


def _exchanged(body: Body, random: np.random.Generator) -> Floats:
    return body.values[[1, 2, 0]]


def _second(times: float, share: float) -> Made:
    """Another body beside this one."""

    def made(body: Body, random: np.random.Generator) -> Floats:
        other = _faster(body, times, later=0.5)
        return body.values + share * (other - np.median(other, axis=1, keepdims=True))

    return made


def _faster(body: Body, times: float, later: float = 0.0) -> Floats:
    """The body itself so many times as fast, over and over. later: from which share of it on."""
    count = body.values.shape[1]
    at = (times * np.arange(count) + later * count) % (count - 1)
    return np.stack([np.interp(at, np.arange(count), row) for row in body.values])


def _exchanged_with(other: Callable[[], Body]) -> Made:
    """Another sensor in its place, with the same middle and swing."""

    def made(body: Body, random: np.random.Generator) -> Floats:
        row = other().values[-1]
        at = np.arange(body.values.shape[1]) * (other().rate_hz / body.rate_hz) % (len(row) - 1)
        wave = Body(np.interp(at, np.arange(len(row)), row)[None], body.rate_hz)
        middle = np.median(body.values, axis=1, keepdims=True)
        return middle + (wave.values - np.median(wave.values)) * (body.swing / wave.swing)

    return made


FAULTS: Mapping[str, Fault] = {
    "as it is": Fault(lambda body, random: body.values.copy()),
    "clipped to half": Fault(_clipped(0.5)),
    "clipped to a tenth": Fault(_clipped(0.1)),
    "gaps of 50 ms, 10 %": Fault(_lost(0.1, 0.05)),
    "gaps of 0.5 s, 10 %": Fault(_lost(0.1, 0.5)),
    "repeated packets": Fault(_repeated),
    "gain x 10": Fault(lambda body, random: 10.0 * body.values),
    "gain / 10": Fault(lambda body, random: 0.1 * body.values),
    "a hand that touches": Fault(_touched),
    "mains 50 Hz": Fault(_hums(50.0, 1.0), least_rate_hz=120),
    "mains 60 Hz": Fault(_hums(59.98, 1.0), least_rate_hz=120),
    "a second body, twice as fast": Fault(_second(2.1, 0.3)),
    "a second body, as strong": Fault(_second(0.83, 0.9)),
    "drift to 0.5 Hz": Fault(_drifts),
    "twice the rate in the header": Fault(lambda body, random: _faster(body, 2.0)),
    "leads of two bodies crossed": Fault(_falls_off(lambda body, random: _faster(body, 0.8)), in_the_middle=True),
    "falls off, open": Fault(_falls_off(_open), leaves=False, in_the_middle=True),
    "falls off, last digit": Fault(_falls_off(_last_digit), leaves=False, in_the_middle=True),
    "falls off, flat": Fault(_falls_off(_flat), leaves=False, in_the_middle=True),
    "last digit alone": Fault(_last_digit, leaves=False),
    "steps at 1.1 Hz": Fault(_walks, leaves=False),
    "a cable swings at 1.1 Hz": Fault(_swings, leaves=False),
    "white noise": Fault(_noise(0.01, 1000.0), leaves=False),
    "noise 0.1 to 0.5 Hz": Fault(_noise(0.1, 0.5), leaves=False),
    "noise 0.5 to 8 Hz": Fault(_noise(0.5, 8.0), leaves=False),
    "noise 20 to 150 Hz": Fault(_noise(20.0, 150.0), leaves=False, least_rate_hz=400),
}
OTHERS: Mapping[str, Callable[[], Body]] = {
    "a heart's electrodes": ecg,
    "a belt": belt,
    "electrodes of skin": skin,
    "electrodes of a muscle": muscle,
    "electrodes of the scalp": scalp,
    "an accelerometer": waist,
}
OF_THREE_AXES: Mapping[str, Fault] = {
    "x dead": Fault(_stuck(0, 0.0)),
    "y dead": Fault(_stuck(1, 0.0)),
    "z dead": Fault(_stuck(2, 0.0)),
    "y stuck": Fault(_stuck(1)),
    "axes exchanged": Fault(_exchanged),
}

# Readings -----------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Reading:
    """A node that is fed with a body, by way of other nodes.

    share, at_least: how far from the truth a value may be, as a share of it and in its own unit. settles_s: so long
    after its beginning, and after a sensor fell off, nothing is asked of it. late_s: so much earlier or later it may
    show a value.
    """

    name: str
    body: Callable[[], Body]
    nodes: tuple[Node, ...]
    share: float
    at_least: float
    settles_s: float = 15.0
    late_s: float = 4.0
    ports: tuple[str, ...] = ("input",)
    hears: frozenset[str] = frozenset()
    """Faults that are none here: what the reading is of."""

    def shown(self, body: Body) -> tuple[Floats, Floats]:
        """Value and trust at each tenth of a second."""
        rows = at_control_rate(body)
        inputs: dict[str, Signal] = dict(zip(self.ports, rows, strict=True))
        frames, trust = rows.shape[1] * FRAMES_PER_TICK, np.ones(rows.shape[1])
        for node in self.nodes:
            trusts = dict.fromkeys(inputs, trust)
            known = read(node, inputs, frames, range(0, frames, 480_000), trusts=trusts)
            assert known.trust is not None
            inputs, trust = {"input": known.signal}, known.trust
        value = inputs["input"]
        assert isinstance(value, np.ndarray)
        return value[:: CONTROL_RATE_HZ // 10], trust[:: CONTROL_RATE_HZ // 10]


def at_control_rate(body: Body) -> Floats:
    """The channels as a piece hears them, (channels, ticks): converted as any recording is."""
    streams = [resampled(held_stream(row, body.rate_hz), CONTROL_RATE_HZ) for row in body.values]
    return np.stack([fitted(stream.read(0, stream.length)).astype(np.float64) for stream in streams])


def _node(kind: str, **parameters: object) -> Node:
    return KINDS[kind](**{"input": "a", **parameters})


def _axes(kind: str, **parameters: object) -> Node:
    return KINDS[kind](**{"x": "a", "y": "b", "z": "c", **parameters})


_XYZ = ("x", "y", "z")
_STEPS = frozenset({"steps at 1.1 Hz", "a cable swings at 1.1 Hz", "drift to 0.5 Hz"})
_MOVES = _STEPS | {"white noise", "noise 0.1 to 0.5 Hz", "noise 0.5 to 8 Hz"}
READINGS = (
    Reading("heart rate", ecg, (_node("beats"), _node("heart_rate")), 0.05, 3.0),
    Reading("heart rate, quick", ecg, (_node("beats", pace="quick"), _node("heart_rate")), 0.05, 3.0),
    Reading("beat interval", ecg, (_node("beats"), _node("beat_interval")), 0.08, 0.03),
    Reading("RMSSD", ecg, (_node("beats"), _node("rmssd")), 0.25, 5.0, settles_s=35.0, late_s=8.0),
    Reading("breath in the heart", ecg, (_node("beats"), _node("respiratory_modulation")), 0.3, 10.0, 30.0, 8.0),
    Reading("pulse rate", pulse, (_node("pulse_beats"), _node("heart_rate")), 0.05, 3.0),
    Reading("pulse rate, quick", pulse, (_node("pulse_beats", pace="quick"), _node("heart_rate")), 0.05, 3.0),
    Reading("breath rate", belt, (_node("breath", measure="rate"),), 0.15, 1.0, 30.0, 10.0),
    Reading("breath depth", belt, (_node("breath", measure="depth"),), 0.25, 0.0, 30.0, 10.0),
    Reading("breath fullness", belt, (_node("breath", measure="fullness"),), 0.0, 0.15, 30.0, 0.3),
    Reading("skin, tonic", skin, (_node("skin_conductance", measure="tonic"),), 0.1, 0.1),
    Reading("skin, phasic", skin, (_node("skin_conductance", measure="phasic"),), 0.0, 0.05, late_s=0.5),
    Reading("envelope", muscle, (_node("envelope"),), 0.3, 0.0, 3.0, 0.2),
    Reading("rms", muscle, (_node("rms"),), 0.3, 0.0, 3.0, 0.2),
    Reading("band level", muscle, (_node("band_level"),), 0.3, 0.0, 3.0, 0.5),
    Reading("median frequency", muscle, (_node("median_frequency"),), 0.1, 2.0, 3.0, 0.5),
    Reading("alpha", scalp, (_node("band_power", band="alpha"),), 0.3, 0.0, 6.0, 0.5),
    Reading("alpha, share", scalp, (_node("band_power", band="alpha", measure="relative"),), 0.0, 0.1, 6.0, 0.5),
    Reading("alpha over beta", scalp, (_node("band_power", band="alpha", measure="ratio"),), 0.3, 0.0, 6.0, 0.5),
    Reading("movement", waist, (_axes("movement"),), 0.2, 0.02, 5.0, 0.3, _XYZ, _MOVES),
    Reading("jerk", waist, (_axes("movement", measure="jerk"),), 0.2, 0.2, 5.0, 0.3, _XYZ, _MOVES),
    Reading("tilt", waist, (_axes("tilt", axis="y"),), 0.0, 5.0, 5.0, 0.3, _XYZ, _MOVES),
    Reading("stillness", waist, (_axes("stillness"),), 0.1, 1.0, 5.0, 0.5, _XYZ, _MOVES),
    Reading("steps a minute", waist, (_axes("steps"), _node("heart_rate")), 0.15, 5.0, 5.0, 3.0, _XYZ, _STEPS),
)


@dataclass(frozen=True)
class Verdict:
    """Shares of the time that is looked at, and medians: of the truth, the value, and the trust."""

    right: float
    wrong_and_sure: float
    truth: float
    value: float
    trust: float


@cache
def _clean(reading: Reading, seconds: float) -> tuple[Body, Floats]:
    """The body of a reading, and what it shows of it without any fault."""
    body = reading.body().part(0.0, seconds)
    return body, reading.shown(body)[0]


def judged(reading: Reading, fault: Fault, seconds: float = 1e5) -> Verdict:
    """What a reading shows of a body with a fault. seconds: the length of the recording that is taken."""
    body, truth = _clean(reading, seconds)
    value, trust = reading.shown(replace(body, values=fault.made(body, np.random.default_rng(9))))
    from_s = len(value) / 20.0 + reading.settles_s if fault.in_the_middle else reading.settles_s
    looked = slice(round(10 * from_s), None)
    near = 2 * round(10 * reading.late_s) + 1
    low, high = minimum_filter1d(truth, near), maximum_filter1d(truth, near)
    give = np.maximum(reading.share * np.abs(truth), reading.at_least)
    right = (value >= low - give) & (value <= high + give) if fault.leaves else np.zeros(len(value), np.bool_)
    sure = trust >= DOUBTFUL
    return Verdict(
        right=float((right & sure)[looked].mean()),
        wrong_and_sure=float((~right & sure)[looked].mean()),
        truth=float(np.median(truth[looked])) if fault.leaves else np.nan,
        value=float(np.median(value[looked])),
        trust=float(np.median(trust[looked])),
    )


def faults_of(reading: Reading) -> Mapping[str, Fault]:
    """By name; without what is none for this sensor, and without what its recorder is too slow for.

    A pulse wave has the rate of a heart, and so is no fault for its electrodes.
    """
    same = {ecg, pulse} if reading.body in {ecg, pulse} else {reading.body}
    exchanged = {
        f"in its place {name}": Fault(_exchanged_with(other), leaves=False)
        for name, other in OTHERS.items()
        if other not in same
    }
    every = {**FAULTS, **(OF_THREE_AXES if reading.body is waist else exchanged)}
    rate_hz = reading.body().rate_hz
    return {
        name: fault for name, fault in every.items() if rate_hz >= fault.least_rate_hz and name not in reading.hears
    }
