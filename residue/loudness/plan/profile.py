"""The levels of a whole performance, known before it plays."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import msgspec
import numpy as np
from numpy.typing import NDArray

from residue.dsp.delay import DelayLine
from residue.loudness.caps.caps import Cap, protecting_caps
from residue.loudness.caps.ears import Ear, ear_of, planned_ears
from residue.loudness.caps.instants import instant_cap
from residue.loudness.caps.listeners import Listener, silence
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
    """The level profile of a performance, from its blocks before the cap, (outputs, frames).

    The blocks pass through trim, delay and subsonic high-pass, which the cap stage applies to every sound, but not
    through the parts that act on loud sound only. Its hops are those of a playback that begins on a hop boundary of the
    stage.
    """
    every_cap = (*caps, *protecting_caps(outputs))
    listened = planned_ears(outputs, every_cap)
    row = {ear.key: index for index, ear in enumerate(listened)}
    instants = [instant_cap(cap, row[ear_of(cap, outputs).key]) for cap in every_cap if not cap.quantity.windowed]
    ending = sorted({one.ear for one in instants})
    at_end = [replace(one, ear=ending.index(one.ear)) for one in instants]
    condition, listen = Conditioner(outputs), Listener(listened, instants)
    delay = DelayLine(len(outputs), limiter.DELAY_FRAMES)
    end = Endings([listened[index] for index in ending], at_end, len(outputs))
    bank = WeightingBank({Weighting.C, *(ear.weighting for ear in listened)}, len(outputs))
    true_peak = TruePeakMeter(len(outputs))
    asked = Delays(outputs)
    heard, ended, onset, mapping = [], [], [], []
    memory = silence(len(outputs))
    for hops in _hops(blocks, len(outputs)):
        finite = np.where(np.isfinite(hops), hops, 0.0)
        mapping.append(hop_energy(_by_hop(asked(finite))))
        protected = condition(finite)
        onset.append(hop_energy(_by_hop(protected)))
        conditioned = delay(protected)
        true_peak(conditioned)
        weighted = {name: _by_hop(signals) for name, signals in bank(conditioned).items()}
        before = []
        for number in range(conditioned.shape[1] // HOP_FRAMES):
            before.append(memory)
            received = listen({name: one[:, number] for name, one in weighted.items()}, memory)
            heard.append((received.energy, received.peak, received.fast))
            memory = received.memory
        if ending:
            ended.append(end(_by_hop(conditioned), weighted, before))
    energy, peak, fast = (np.stack(part, axis=1) for part in zip(*heard, strict=True))
    ending_peak, ending_fast = np.zeros_like(peak), np.zeros_like(fast)
    if ending:
        faded_peak, faded_fast, *after = (np.concatenate(part, axis=1) for part in zip(*ended, strict=True))
        after_peak, after_fast = (np.pad(part[:, 1:], ((0, 0), (0, 1))) for part in after)  # moved to the hop before
        ending_peak[ending] = np.maximum(faded_peak, after_peak)
        ending_fast[ending] = np.maximum(faded_fast, after_fast)
    onset_energy = np.concatenate(onset, axis=1)
    return LevelProfile(
        ears=listened,
        energy=energy,
        peak=peak,
        fast=fast,
        ending_peak=ending_peak,
        ending_fast=ending_fast,
        true_peak=true_peak.highest,
        onset_energy=onset_energy,
        mapping_energy=np.concatenate(mapping, axis=1),
    )


def _by_hop(signals: Floats) -> Floats:
    return signals.reshape(len(signals), -1, HOP_FRAMES)


def _hops(blocks: Iterable[Floats], outputs: int) -> Iterator[Floats]:
    """The blocks cut into whole hops, several at once; the end is silence for the limiter's delay and one hop."""
    waiting = np.zeros((outputs, 0))
    for block in blocks:
        waiting = np.concatenate((waiting, block), axis=1)
        whole = waiting.shape[1] // HOP_FRAMES * HOP_FRAMES
        for start in range(0, whole, _AT_ONCE_FRAMES):
            yield waiting[:, start : min(whole, start + _AT_ONCE_FRAMES)]
        waiting = waiting[:, whole:]
    last = ((waiting.shape[1] + limiter.DELAY_FRAMES) // HOP_FRAMES + 2) * HOP_FRAMES
    yield np.pad(waiting, ((0, 0), (0, last - waiting.shape[1])))
