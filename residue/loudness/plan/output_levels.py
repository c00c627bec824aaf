"""The levels of each output over a whole performance, which no trim, calibration or cap of the room changes.

All that a plan asks follows from them by arithmetic (residue.loudness.plan.profile). They are those of the sound that
the cap stage conditions, at a trim of 0 dB: delay and band of an output are in them.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields
from itertools import combinations
from pathlib import Path

import msgspec
import numpy as np
from numpy.typing import NDArray

from residue.dsp.delay import DelayLine
from residue.dsp.kernel import magnitudes, power_sums
from residue.loudness.caps.ears import spread_s
from residue.loudness.caps.listeners import (
    GRAIN_FRAMES,
    GRAINS_PER_HOP,
    Strength,
    fast_powers,
    fullest_window,
    grains_late,
)
from residue.loudness.meters.hops import HOP_FRAMES, WeightingBank
from residue.loudness.meters.true_peak import REACH, SUM_OF_MAGNITUDES, TruePeakMeter, highest_between
from residue.loudness.meters.weightings import FELT, Weighting
from residue.loudness.outputs.outputs import Output
from residue.loudness.stage import limiter
from residue.loudness.stage.ending import Endings
from residue.loudness.stage.protection import Conditioner, Delays, hop_energy
from residue.problems import stopping

Floats = NDArray[np.float64]

STRENGTHS: Sequence[Strength] = (*((weighting, 2) for weighting in Weighting), *((weighting, 4) for weighting in FELT))
"""All that a cap can be stated in."""
PAIRED: Sequence[Weighting] = (Weighting.A, Weighting.C, *FELT)
"""What people are told of all outputs together."""
MOST_PAIRED = 16
"""Pairs grow with the square of the outputs. More than so many are taken to be never in phase at one place."""

_AT_ONCE_FRAMES = 10 * HOP_FRAMES
"""So large that the cost of calls does not matter, and so small that it fits into a processor's cache."""


@dataclass(frozen=True, slots=True, kw_only=True)
class OutputLevels:
    """The levels of a performance at full gain and without trim, output by output and hop by hop."""

    energy: Floats
    """(STRENGTHS, outputs, hops): the sum of powers over the frames of each hop."""
    fullest: Floats
    """(STRENGTHS, outputs, hops): the most of it that may arrive within the hop, whatever the way."""
    together: Floats
    """(PAIRED, pairs, hops): the sum of products of two outputs over each hop; no pairs of more than MOST_PAIRED."""
    peaks: Floats
    """(3, 3, outputs, hops), under C: of each hop as it is, faded out as the last one, and the silence after the hop
    before; each time the highest magnitude of its samples, what it is not above between them, and its true peak.
    """
    fast: Floats
    """(3, 2, outputs, hops): the highest power under A and F of the same three; that which may arrive within the hop,
    and that of the hop alone.
    """
    true_peak: Floats
    """(outputs,): the highest true peak of each output, full scale = 1."""
    onset_energy: Floats
    """(outputs, hops): the sum of squares at the input of the bound on the first rise."""
    mapping_energy: Floats
    """(outputs, hops): the sum of squares as the mapping gives it, without its band; with the delay of the output."""

    def save(self, path: Path) -> None:
        """Writes the levels as an npz file."""
        with path.open("wb") as file:
            np.savez(file, **{one.name: getattr(self, one.name) for one in fields(self)})

    @classmethod
    def load(cls, path: Path) -> OutputLevels:
        """Reads a file from `save`. Raises ProblemError if it cannot be read."""
        try:
            with path.open("rb") as file, np.load(file, allow_pickle=False) as held:
                return cls(**{one.name: held[one.name] for one in fields(cls)})
        except Exception as error:  # a damaged archive makes its readers raise nearly any error
            raise stopping(
                str(path), f"The levels cannot be read ({error}).", "Remove the file; it is made again."
            ) from error


def followed_from(outputs: Mapping[str, Output]) -> bytes:
    """All of the room that these levels follow from."""
    return msgspec.json.encode([(output.delay_ms, output.protection_hz) for output in outputs.values()])


@dataclass(slots=True, kw_only=True)
class _Streams:
    """All that remembers what came before."""

    condition: Conditioner
    delay: DelayLine
    end: Endings
    bank: WeightingBank
    true_peak: TruePeakMeter
    asked: Delays
    late: Floats
    """(STRENGTHS, outputs, grains): what may still be on its way."""
    needle: Floats
    """(outputs,): the power under A and F at the end of the last hop."""
    highest: Floats
    """(outputs, grains): the highest such powers that may still be on their way."""
    tail: Floats
    """(outputs, REACH): the last frames under C."""
    faded_needle: Floats
    """This and the next two: of the last hop, faded out."""
    faded_highest: Floats
    faded_tail: Floats
    waiting: Floats
    """(outputs, frames): what does not fill a hop yet."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LevelMark:
    """Levels on their way: the streams, and the levels of the hops since the mark before."""

    streams: _Streams
    levels: Mapping[str, Floats]
    """By field of OutputLevels that has hops."""


class Measuring:
    """Measures the outputs from blocks; it can go on from marks that it left.

    The blocks pass through delay and band, which the cap stage applies to every sound, but not through the parts that
    act on loud sound only. Its hops are those of a playback that begins on a hop boundary of the stage.
    """

    def __init__(self, outputs: Mapping[str, Output]) -> None:
        count = len(outputs)
        untrimmed = {name: msgspec.structs.replace(output, trim_db=0.0) for name, output in outputs.items()}
        late = grains_late(spread_s(outputs))
        self._streams = _Streams(
            condition=Conditioner(untrimmed),
            delay=DelayLine(count, limiter.DELAY_FRAMES),
            end=Endings(count),
            bank=WeightingBank(Weighting, count),
            true_peak=TruePeakMeter(count),
            asked=Delays(outputs),
            late=np.zeros((len(STRENGTHS), count, late)),
            needle=np.zeros(count),
            highest=np.zeros((count, late)),
            tail=np.zeros((count, REACH)),
            faded_needle=np.zeros(count),
            faded_highest=np.zeros((count, late)),
            faded_tail=np.zeros((count, REACH)),
            waiting=np.zeros((count, 0)),
        )
        self._pairs = list(combinations(range(count), 2)) if count <= MOST_PAIRED else []
        self._marks: list[LevelMark] = []
        self._parts: list[Mapping[str, Floats]] = []

    def take(self, block: Floats) -> None:
        """Takes the next block before the cap, (outputs, frames)."""
        streams = self._streams
        waiting = np.concatenate((streams.waiting, block), axis=1)
        whole = waiting.shape[1] // HOP_FRAMES * HOP_FRAMES
        for start in range(0, whole, _AT_ONCE_FRAMES):
            self._parts.append(self._hops(waiting[:, start : min(whole, start + _AT_ONCE_FRAMES)]))
        streams.waiting = waiting[:, whole:]

    def _hops(self, hops: Floats) -> Mapping[str, Floats]:
        streams = self._streams
        finite = np.where(np.isfinite(hops), hops, 0.0)
        mapping = hop_energy(_by_hop(streams.asked(finite)))
        protected = streams.condition(finite)
        conditioned = streams.delay(protected)
        streams.true_peak(conditioned)
        weighted = streams.bank(conditioned)
        energy, fullest = self._energies(weighted)
        by_hop = {name: _by_hop(weighted[name]) for name in (Weighting.A, Weighting.C, Weighting.Z)}
        faded, after = streams.end(by_hop[Weighting.Z], by_hop)
        products = [[_products(weighted[name], pair) for pair in self._pairs] for name in PAIRED]
        return {
            "energy": energy,
            "fullest": fullest,
            "together": np.reshape(products, (len(PAIRED), len(self._pairs), mapping.shape[1])),
            "peaks": self._peaks(by_hop[Weighting.C], faded=faded[Weighting.C], after=after[Weighting.C]),
            "fast": self._fast(by_hop[Weighting.A], faded=faded[Weighting.A], after=after[Weighting.A]),
            "onset_energy": hop_energy(_by_hop(protected)),
            "mapping_energy": mapping,
        }

    def _energies(self, weighted: Mapping[Weighting, Floats]) -> tuple[Floats, Floats]:
        grains = np.array([power_sums(weighted[weighting], GRAIN_FRAMES, power) for weighting, power in STRENGTHS])
        late, known = self._streams.late, grains.reshape(*grains.shape[:2], -1, GRAINS_PER_HOP)
        every = np.concatenate((late, grains), axis=2)
        self._streams.late = every[:, :, -late.shape[2] :].copy()
        return np.add.reduce(known, axis=3), fullest_window(_with_late(every, late.shape[2]), GRAINS_PER_HOP)

    def _peaks(self, hops: Floats, *, faded: Floats, after: Floats) -> Floats:
        """Gives (3, 3, outputs, hops), as `peaks`."""
        streams, ends = self._streams, slice(HOP_FRAMES - REACH, None)
        tails = np.concatenate((streams.tail[:, np.newaxis], hops[:, :-1, ends]), axis=1)
        faded_tails = np.concatenate((streams.faded_tail[:, np.newaxis], faded[:, :-1, ends]), axis=1)
        streams.tail, streams.faded_tail = hops[:, -1, ends].copy(), faded[:, -1, ends].copy()
        return np.array([_peaks_of(hops, tails), _peaks_of(faded, tails), _peaks_of(after, faded_tails)])

    def _fast(self, hops: Floats, *, faded: Floats, after: Floats) -> Floats:
        """Gives (3, 2, outputs, hops), as `fast`."""
        streams, count = self._streams, hops.shape[1]
        late = streams.highest.shape[1]
        own, fading, ended = (power_sums(one, GRAIN_FRAMES) for one in (hops, faded, after))
        needles, highest = np.empty(hops.shape[:2]), np.empty_like(own)
        before = np.empty((len(hops), count, late))
        for number in range(count):
            needles[:, number], before[:, number] = streams.needle, streams.highest
            streams.needle, highest[:, number] = fast_powers(own[:, number], streams.needle)
            streams.highest = np.concatenate((streams.highest, highest[:, number]), axis=1)[:, -late:]
        at_end, faded_highest = fast_powers(fading, needles)
        faded_with = np.concatenate((before, faded_highest), axis=2)[..., -late:]
        after_needle = np.concatenate((streams.faded_needle[:, np.newaxis], at_end[:, :-1]), axis=1)
        after_before = np.concatenate((streams.faded_highest[:, np.newaxis], faded_with[:, :-1]), axis=1)
        streams.faded_needle, streams.faded_highest = at_end[:, -1].copy(), faded_with[:, -1].copy()
        _, after_highest = fast_powers(ended, after_needle)
        three = ((highest, before), (faded_highest, before), (after_highest, after_before))
        now = np.array([np.max(one, axis=2) for one, _ in three])
        arriving = np.maximum(now, [np.max(one, axis=2) for _, one in three])
        return np.stack((arriving, now), axis=1)

    def mark(self) -> LevelMark:
        """The way up to here since the mark before. Its streams go on: keep it before the next block."""
        names = self._parts[0]
        levels = {name: np.concatenate([part[name] for part in self._parts], axis=-1) for name in names}
        mark = LevelMark(streams=self._streams, levels=levels)
        self._marks.append(mark)
        self._parts = []
        return mark

    def go_on_from(self, marks: Sequence[LevelMark]) -> None:
        """Goes on after these marks, the first of which begins at the beginning."""
        self._marks, self._streams = list(marks), marks[-1].streams

    def finished(self) -> OutputLevels:
        """The levels; the end is silence for the limiter's delay and one hop."""
        waits = self._streams.waiting.shape[1]
        last = ((waits + limiter.DELAY_FRAMES) // HOP_FRAMES + 2) * HOP_FRAMES
        self.take(np.zeros((len(self._streams.waiting), last - waits)))
        names = self.mark().levels
        levels = {name: np.concatenate([mark.levels[name] for mark in self._marks], axis=-1) for name in names}
        return OutputLevels(true_peak=self._streams.true_peak.highest, **levels)


def _products(signals: Floats, pair: tuple[int, int]) -> Floats:
    """(hops,): the sum of products of two outputs over each hop."""
    one, other = pair
    products: Floats = np.add.reduce((signals[one] * signals[other]).reshape(-1, HOP_FRAMES), axis=1)
    return products


def _peaks_of(hops: Floats, tails: Floats) -> Floats:
    """(3, outputs, hops); hops: (outputs, hops, frames), tails: (outputs, hops, REACH), the frames before each."""
    samples = magnitudes(hops)
    joined = np.concatenate((tails, hops), axis=2)
    between = highest_between(joined.reshape(-1, joined.shape[2])).reshape(samples.shape)
    return np.array([samples, SUM_OF_MAGNITUDES * np.maximum(magnitudes(tails), samples), between])


def _with_late(grains: Floats, late: int) -> Floats:
    """(…, hops, late + GRAINS_PER_HOP): the grains of each hop, with those before it; grains: (…, late + grains)."""
    return np.lib.stride_tricks.sliding_window_view(grains, late + GRAINS_PER_HOP, axis=-1)[..., ::GRAINS_PER_HOP, :]


def _by_hop(signals: Floats) -> Floats:
    return signals.reshape(len(signals), -1, HOP_FRAMES)
