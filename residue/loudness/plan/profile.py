"""The levels of a whole performance, known before it plays."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import msgspec
import numpy as np
from numpy.typing import NDArray

from residue.dsp.delay import DelayLine
from residue.loudness.caps.caps import Cap, protecting_caps
from residue.loudness.caps.ears import Ear, ear_of, planned_ears
from residue.loudness.caps.instants import instant_cap
from residue.loudness.caps.listeners import Listener, Underway, silence
from residue.loudness.meters.hops import HOP_FRAMES, HOP_S, WeightingBank
from residue.loudness.meters.true_peak import TruePeakMeter
from residue.loudness.meters.weightings import Weighting
from residue.loudness.outputs.outputs import Output
from residue.loudness.stage import limiter
from residue.loudness.stage.ending import Endings
from residue.loudness.stage.protection import Conditioner, Delays, hop_energy
from residue.problems import stopping

Floats = NDArray[np.float64]

_AT_ONCE_FRAMES = 10 * HOP_FRAMES
"""So large that the cost of calls does not matter, and so small that it fits into a processor's cache."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LevelProfile:
    """The levels of a performance at full gain, hop by hop, as the governor counts them."""

    ears: tuple[Ear, ...]
    energy: Floats
    """(ears, hops): the energy of each hop as in Heard, in the unit of the ear; the next two are in this unit too."""
    peak: Floats
    fast: Floats
    ending_peak: Floats
    """(ears, hops): the peak of each hop if it fades out as the last one, or that of the silence after it if higher; 0
    at ears without a cap that holds at every moment.
    """
    ending_fast: Floats
    """(ears, hops): the same for the power under F."""
    true_peak: Floats
    """(outputs,): the highest true peak of each output, full scale = 1."""
    onset_energy: Floats
    """(outputs, hops): the sum of squares of each output over each hop, at the input of the bound on the first rise."""

    mapping_energy: Floats
    """(outputs, hops): the sum of squares as the mapping gives it, without trim and band; with the delay of the
    output.
    """

    @property
    def hops(self) -> int:
        """The length of the performance, in hops."""
        return int(self.energy.shape[1])

    @property
    def duration_s(self) -> float:
        """Its length in seconds."""
        return self.hops * HOP_S

    def row(self, key: str) -> int:
        """The row of an ear. Raises KeyError if the profile was made without it."""
        for index, ear in enumerate(self.ears):
            if ear.key == key:
                return index
        raise KeyError(key)

    def save(self, path: Path) -> None:
        """Writes the profile as an npz file."""
        facts = np.frombuffer(msgspec.json.encode(self.ears), dtype=np.uint8)
        with path.open("wb") as file:
            np.savez(file, ears=facts, **{name: getattr(self, name) for name in _LEVELS})

    @classmethod
    def load(cls, path: Path) -> LevelProfile:
        """Reads a file from `save`. Raises ProblemError if it cannot be read."""
        try:
            with path.open("rb") as file, np.load(file, allow_pickle=False) as held:
                ears = msgspec.json.decode(held["ears"].tobytes(), type=tuple[Ear, ...])
                return cls(ears=ears, **{name: held[name] for name in _LEVELS})
        except Exception as error:  # a damaged archive makes its readers raise nearly any error
            raise stopping(
                str(path), f"The level profile cannot be read ({error}).", "Remove it; it is made again."
            ) from error


_LEVELS = ("energy", "peak", "fast", "ending_peak", "ending_fast", "true_peak", "onset_energy", "mapping_energy")


def profile(blocks: Iterable[Floats], outputs: Mapping[str, Output], caps: Sequence[Cap]) -> LevelProfile:
    """The level profile of a performance, from its blocks before the cap, (outputs, frames)."""
    making = Profiling(outputs, caps)
    for block in blocks:
        making.take(block)
    return making.finished()


def followed_from(outputs: Mapping[str, Output], caps: Sequence[Cap]) -> bytes:
    """All of outputs and caps that a profile follows from: a limit over a window changes no level before the cap."""
    every_cap = (*caps, *protecting_caps(outputs))
    listened = planned_ears(outputs, every_cap)
    at_once = [
        (ear_of(cap, outputs).key, one.of_peak, one.bound)
        for cap in every_cap
        if not cap.quantity.windowed
        for one in [instant_cap(cap, 0)]
    ]
    chains = [(output.trim_db, output.delay_ms, output.protection_hz) for output in outputs.values()]
    return msgspec.json.encode((listened, at_once, chains))


@dataclass(slots=True, kw_only=True)
class _Streams:
    """All that remembers what came before."""

    condition: Conditioner
    delay: DelayLine
    end: Endings
    bank: WeightingBank
    true_peak: TruePeakMeter
    asked: Delays
    memory: Underway
    waiting: Floats
    """(outputs, frames): what does not fill a hop yet."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ProfileMark:
    """A profile on its way: its streams, and the levels of the hops since the mark before."""

    streams: _Streams
    heard: tuple[Floats, ...]
    ended: tuple[Floats, ...]
    onset: Floats
    mapping: Floats


class Profiling:
    """Makes a level profile from blocks; it can go on from marks that it left.

    The blocks pass through trim, delay and subsonic high-pass, which the cap stage applies to every sound, but not
    through the parts that act on loud sound only. Its hops are those of a playback that begins on a hop boundary of the
    stage.
    """

    def __init__(self, outputs: Mapping[str, Output], caps: Sequence[Cap]) -> None:
        every_cap = (*caps, *protecting_caps(outputs))
        self._ears = planned_ears(outputs, every_cap)
        row = {ear.key: index for index, ear in enumerate(self._ears)}
        instants = [instant_cap(cap, row[ear_of(cap, outputs).key]) for cap in every_cap if not cap.quantity.windowed]
        self._ending = sorted({one.ear for one in instants})
        at_end = [replace(one, ear=self._ending.index(one.ear)) for one in instants]
        self._listen = Listener(self._ears, instants)
        self._streams = _Streams(
            condition=Conditioner(outputs),
            delay=DelayLine(len(outputs), limiter.DELAY_FRAMES),
            end=Endings([self._ears[index] for index in self._ending], at_end, len(outputs)),
            bank=WeightingBank({Weighting.C, *(ear.weighting for ear in self._ears)}, len(outputs)),
            true_peak=TruePeakMeter(len(outputs)),
            asked=Delays(outputs),
            memory=silence(len(outputs)),
            waiting=np.zeros((len(outputs), 0)),
        )
        self._marks: list[ProfileMark] = []
        self._begin()

    def _begin(self) -> None:
        self._heard: list[tuple[Floats, ...]] = []
        self._ended: list[tuple[Floats, ...]] = []
        self._onset: list[Floats] = []
        self._mapping: list[Floats] = []

    def take(self, block: Floats) -> None:
        """Takes the next block before the cap, (outputs, frames)."""
        streams = self._streams
        waiting = np.concatenate((streams.waiting, block), axis=1)
        whole = waiting.shape[1] // HOP_FRAMES * HOP_FRAMES
        for start in range(0, whole, _AT_ONCE_FRAMES):
            self._hops(waiting[:, start : min(whole, start + _AT_ONCE_FRAMES)])
        streams.waiting = waiting[:, whole:]

    def _hops(self, hops: Floats) -> None:
        streams = self._streams
        finite = np.where(np.isfinite(hops), hops, 0.0)
        self._mapping.append(hop_energy(_by_hop(streams.asked(finite))))
        protected = streams.condition(finite)
        self._onset.append(hop_energy(_by_hop(protected)))
        conditioned = streams.delay(protected)
        streams.true_peak(conditioned)
        weighted = {name: _by_hop(signals) for name, signals in streams.bank(conditioned).items()}
        before = []
        for number in range(conditioned.shape[1] // HOP_FRAMES):
            before.append(streams.memory)
            received = self._listen({name: one[:, number] for name, one in weighted.items()}, streams.memory)
            self._heard.append((received.energy, received.peak, received.fast))
            streams.memory = received.memory
        if self._ending:
            self._ended.append(streams.end(_by_hop(conditioned), weighted, before))

    def mark(self) -> ProfileMark:
        """The way up to here since the mark before. Its streams go on: keep it before the next block."""
        mark = ProfileMark(
            streams=self._streams,
            heard=tuple(np.stack(part, axis=1) for part in zip(*self._heard, strict=True)),
            ended=tuple(np.concatenate(part, axis=1) for part in zip(*self._ended, strict=True)),
            onset=np.concatenate(self._onset, axis=1),
            mapping=np.concatenate(self._mapping, axis=1),
        )
        self._marks.append(mark)
        self._begin()
        return mark

    def go_on_from(self, marks: Sequence[ProfileMark]) -> None:
        """Goes on after these marks, the first of which begins at the beginning."""
        self._marks, self._streams = list(marks), marks[-1].streams

    def finished(self) -> LevelProfile:
        """The profile; the end is silence for the limiter's delay and one hop."""
        waits = self._streams.waiting.shape[1]
        last = ((waits + limiter.DELAY_FRAMES) // HOP_FRAMES + 2) * HOP_FRAMES
        self.take(np.zeros((len(self._streams.waiting), last - waits)))
        self.mark()
        energy, peak, fast = (
            np.concatenate(part, axis=1) for part in zip(*(m.heard for m in self._marks), strict=True)
        )
        ending_peak, ending_fast = np.zeros_like(peak), np.zeros_like(fast)
        if self._ending:
            ended = zip(*(mark.ended for mark in self._marks), strict=True)
            faded_peak, faded_fast, *after = (np.concatenate(part, axis=1) for part in ended)
            after_peak, after_fast = (
                np.pad(part[:, 1:], ((0, 0), (0, 1))) for part in after
            )  # moved to the hop before
            ending_peak[self._ending] = np.maximum(faded_peak, after_peak)
            ending_fast[self._ending] = np.maximum(faded_fast, after_fast)
        return LevelProfile(
            ears=self._ears,
            energy=energy,
            peak=peak,
            fast=fast,
            ending_peak=ending_peak,
            ending_fast=ending_fast,
            true_peak=self._streams.true_peak.highest,
            onset_energy=np.concatenate([mark.onset for mark in self._marks], axis=1),
            mapping_energy=np.concatenate([mark.mapping for mark in self._marks], axis=1),
        )


def _by_hop(signals: Floats) -> Floats:
    return signals.reshape(len(signals), -1, HOP_FRAMES)
