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
from residue.small_files import at_once

Floats = NDArray[np.float64]

STRENGTHS: Sequence[Strength] = (*((weighting, 2) for weighting in Weighting), *((weighting, 4) for weighting in FELT))
"""All that a cap can be stated in."""
PAIRED: Sequence[Weighting] = (Weighting.A, Weighting.C, *FELT)
"""What people are told of all outputs together."""
MOST_PAIRED = 16
"""Pairs grow with the square of the outputs. More than so many are taken to be never in phase at one place."""

_STREAMED = frozenset(Weighting) - {Weighting.A, Weighting.C}
"""The weightings under which no hop is looked at as if it were the last."""


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
            with open(path, "rb", opener=at_once) as file, np.load(file, allow_pickle=False) as held:
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
    """(3, outputs): the power under A and F at the end of the last hop, three times as Endings gives it."""
    highest: Floats
    """(3, outputs, grains): the highest such powers that may still be on their way."""
    tail: Floats
    """(3 * outputs, REACH): the last frames under C."""
    waiting: Floats
    """(outputs, frames): what does not fill a hop yet."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Hop:
    """What is kept of the frames of a hop."""

    grains: Floats
    """(STRENGTHS, outputs, GRAINS_PER_HOP): sums of powers."""
    powers: Floats
    """(3, outputs, GRAINS_PER_HOP): those under A, three times as Endings gives it."""
    together: Floats
    """(PAIRED, pairs)."""
    peaks: Floats
    """(3, 3, outputs)."""
    onset_energy: Floats
    """(outputs,)."""
    mapping_energy: Floats
    """(outputs,)."""


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
            bank=WeightingBank(_STREAMED, count),
            true_peak=TruePeakMeter(count),
            asked=Delays(outputs),
            late=np.zeros((len(STRENGTHS), count, late)),
            needle=np.zeros((3, count)),
            highest=np.zeros((3, count, late)),
            tail=np.zeros((3 * count, REACH)),
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
        # A hop at a time fits into a processor's cache under all weightings.
        hops = [self._hop(waiting[:, start : start + HOP_FRAMES]) for start in range(0, whole, HOP_FRAMES)]
        streams.waiting = waiting[:, whole:]
        if hops:
            self._parts.append(self._levels(hops))

    def _hop(self, hop: Floats) -> _Hop:
        streams, outputs = self._streams, len(hop)
        finite = np.isfinite(hop)
        if not finite.all():
            hop = np.where(finite, hop, 0.0)
        protected = streams.condition(hop)
        conditioned = streams.delay(protected)
        streams.true_peak(conditioned)
        endings = streams.end(conditioned)
        heard = {name: endings[name][:outputs] for name in (Weighting.A, Weighting.C)}
        weighted = streams.bank(conditioned) | heard
        products = [[_product(weighted[name], pair) for pair in self._pairs] for name in PAIRED]
        return _Hop(
            grains=np.array([power_sums(weighted[weighting], GRAIN_FRAMES, power) for weighting, power in STRENGTHS]),
            powers=power_sums(endings[Weighting.A], GRAIN_FRAMES).reshape(3, outputs, GRAINS_PER_HOP),
            together=np.reshape(products, (len(PAIRED), len(self._pairs))),
            peaks=self._peaks(endings[Weighting.C]),
            onset_energy=hop_energy(protected),
            mapping_energy=hop_energy(streams.asked(hop)),
        )

    def _peaks(self, under_c: Floats) -> Floats:
        """(3, 3, outputs), as `peaks`; under_c: (3 * outputs, HOP_FRAMES)."""
        streams = self._streams
        tails = streams.tail[streams.end.follows]
        streams.tail = under_c[:, -REACH:].copy()
        samples = magnitudes(under_c)
        most = SUM_OF_MAGNITUDES * np.maximum(magnitudes(tails), samples)
        between = highest_between(np.concatenate((tails, under_c), axis=1))
        return np.stack([one.reshape(3, -1) for one in (samples, most, between)], axis=1)

    def _levels(self, hops: Sequence[_Hop]) -> Mapping[str, Floats]:
        energy, fullest = self._energies(np.stack([hop.grains for hop in hops], axis=2))
        return {
            "energy": energy,
            "fullest": fullest,
            "together": np.stack([hop.together for hop in hops], axis=-1),
            "peaks": np.stack([hop.peaks for hop in hops], axis=-1),
            "fast": np.stack([self._fast(hop.powers) for hop in hops], axis=-1),
            "onset_energy": np.stack([hop.onset_energy for hop in hops], axis=-1),
            "mapping_energy": np.stack([hop.mapping_energy for hop in hops], axis=-1),
        }

    def _energies(self, grains: Floats) -> tuple[Floats, Floats]:
        """grains: (STRENGTHS, outputs, hops, GRAINS_PER_HOP)."""
        late = self._streams.late
        every = np.concatenate((late, grains.reshape(*late.shape[:2], -1)), axis=2)
        self._streams.late = every[:, :, -late.shape[2] :].copy()
        return np.add.reduce(grains, axis=3), fullest_window(_with_late(every, late.shape[2]), GRAINS_PER_HOP)

    def _fast(self, powers: Floats) -> Floats:
        """(3, 2, outputs), as `fast`, of the next hop; powers: (3, outputs, GRAINS_PER_HOP)."""
        streams = self._streams
        needle, before = (one[[0, 0, 1]] for one in (streams.needle, streams.highest))
        streams.needle, highest = fast_powers(powers, needle)
        streams.highest = np.concatenate((before, highest), axis=2)[..., -before.shape[2] :]
        now = np.max(highest, axis=2)
        return np.stack((np.maximum(now, np.max(before, axis=2)), now), axis=1)

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


def _product(signals: Floats, pair: tuple[int, int]) -> np.float64:
    """The sum of products of two outputs."""
    one, other = pair
    return np.add.reduce(signals[one] * signals[other])  # type: ignore[no-any-return]


def _with_late(grains: Floats, late: int) -> Floats:
    """(…, hops, late + GRAINS_PER_HOP): the grains of each hop, with those before it; grains: (…, late + grains)."""
    return np.lib.stride_tricks.sliding_window_view(grains, late + GRAINS_PER_HOP, axis=-1)[..., ::GRAINS_PER_HOP, :]
