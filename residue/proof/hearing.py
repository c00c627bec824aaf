"""What a recording of the sweeps tells of each output: levels by octave, against the noise of the same moment.

Only what follows the sweep counts. Voices, steps and hum have nothing to do with it: they raise the noise, and not the
level.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import msgspec
import numpy as np
from numpy.typing import NDArray

from residue.mapping.signals import AUDIO_RATE_HZ, frame_at
from residue.proof.sweep import Slot, octaves_hz, response

Floats = NDArray[np.float64]

HEARD_DB = 10.0
"""So far above its noise an octave must be to count; our choice."""
BEFORE_S, AFTER_S = 0.005, 0.150
"""What arrives from so long before the first sound until so long after it is the output."""
_NOISE_FROM_S, _NOISE_PARTS = 0.6, 4
"""The noise is told from so many stretches of the same length, from so long after the first sound."""
_NEAR_S = 0.03
"""The arrivals of outputs may differ by so much from the common one: 10 m."""
_SMOOTH_S = 0.002
_LEAST = 1e-20
"""Below every sound: for the logarithm of nothing."""
FULL_SCALE = 0.99
MOST_CLIPPED = 3
"""So many frames at full scale are clipping, and not a peak."""
QUIETEST_DBFS = -115.0
"""A microphone gives more noise than that, with any converter: common practice, no source."""


class Octave(msgspec.Struct, frozen=True, kw_only=True):
    """One octave of an output. level_db: of the response, 0 where the input reads what is sent; noise_db: likewise."""

    middle_hz: float
    level_db: float
    noise_db: float


class HeardOutput(msgspec.Struct, frozen=True, kw_only=True):
    """What was heard of one output. arrival_ms: of the first sound, after the beginning of its own sweep."""

    octaves: list[Octave]
    arrival_ms: float

    @property
    def good(self) -> Mapping[float, float]:
        """The levels of the octaves that count, by their middle frequency."""
        return {one.middle_hz: one.level_db for one in self.octaves if one.level_db >= one.noise_db + HEARD_DB}

    @property
    def heard(self) -> bool:
        """Whether at least half of the octaves count."""
        return 2 * len(self.good) >= len(self.octaves)


class HeardSweeps(msgspec.Struct, frozen=True, kw_only=True):
    """What a recording tells. trouble: why it tells nothing. background_dbfs: mean square before the first sweep."""

    outputs: dict[str, HeardOutput] = {}
    background_dbfs: float | None = None
    trouble: str | None = None


def heard(recording: Floats, slots: Sequence[Slot], began: tuple[int, int]) -> HeardSweeps:
    """What a recording tells of each slot.

    recording: (frames,), full scale = 1, NaN where frames were lost. began: the first and the last frame of it at which
    the sound may begin to arrive.
    """
    if trouble := trouble_of(recording):
        return HeardSweeps(trouble=trouble)
    before = recording[: began[0]]
    background_dbfs = 10.0 * float(np.log10(max(_LEAST, float(np.mean(before * before))))) if len(before) else None
    by_kind = {kind: response(recording, kind) for kind in {slot.transducer for slot in slots}}
    responses = {slot.output: by_kind[slot.transducer] * 10.0 ** (-slot.level_dbfs / 20.0) for slot in slots}
    common = _common_arrival(responses, slots, began)
    outputs = {slot.output: _output(responses[slot.output], slot, common) for slot in slots}
    return HeardSweeps(outputs=outputs, background_dbfs=background_dbfs)


def trouble_of(recording: Floats) -> str | None:
    """Why a recording, (frames,), tells nothing; None where it may."""
    lost = float(np.mean(~np.isfinite(recording))) if len(recording) else 1.0
    if lost:
        return f"The microphone lost {lost:.1%} of the sound: look at its cable, and at what else runs on the machine."
    if np.count_nonzero(np.abs(recording) >= FULL_SCALE) >= MOST_CLIPPED:
        return "The microphone is overloaded: turn its gain down, and calibrate it again."
    still = recording - recording.mean()
    if 10.0 * np.log10(max(_LEAST, float(np.mean(still * still)))) < QUIETEST_DBFS:
        return "The microphone gives nothing: look at its cable, its power and its gain."
    return None


def _common_arrival(responses: Mapping[str, Floats], slots: Sequence[Slot], began: tuple[int, int]) -> int:
    """The frame at which the sound as a whole begins to arrive: where most outputs stand out of their noise."""
    first, last = began
    total = np.zeros(max(1, last - first))
    for slot in slots:
        power = _smoothed(responses[slot.output][first + slot.first_frame : last + slot.first_frame] ** 2)
        if len(power) == len(total):
            near = max(1, frame_at(_NEAR_S))
            highest = np.lib.stride_tricks.sliding_window_view(np.pad(power, (0, near)), near).max(axis=1)[: len(total)]
            total += np.log10(highest / max(_LEAST, float(np.median(power))) + 1.0)
    best = np.flatnonzero(total >= total.max() - 1e-9)
    return first + int(best[-1])


def _output(given: Floats, slot: Slot, common: int) -> HeardOutput:
    near = frame_at(_NEAR_S)
    from_frame = max(0, common + slot.first_frame - near)
    around = given[from_frame : common + slot.first_frame + 2 * near]
    peak = from_frame + int(np.argmax(np.abs(around)))
    length = frame_at(BEFORE_S + AFTER_S)
    at = peak - frame_at(BEFORE_S)
    noise = np.mean(
        [
            _octave_powers(given, at + frame_at(_NOISE_FROM_S) + part * length, length, slot.transducer)
            for part in range(_NOISE_PARTS)
        ],
        axis=0,
    )
    power = _octave_powers(given, at, length, slot.transducer) - noise
    octaves = [
        Octave(middle_hz=middle_hz, level_db=_db(level), noise_db=_db(still))
        for middle_hz, level, still in zip(octaves_hz(slot.transducer), power, noise, strict=True)
    ]
    return HeardOutput(octaves=octaves, arrival_ms=1000.0 * (peak - slot.first_frame) / AUDIO_RATE_HZ)


def _octave_powers(given: Floats, at: int, length: int, transducer: str) -> Floats:
    """(octaves,): the mean power of a stretch of a response in each octave."""
    part = given[max(0, at) : at + length]
    spectrum = np.abs(np.fft.rfft(part, AUDIO_RATE_HZ)) ** 2
    return np.array([spectrum[round(hz / 2.0**0.5) : round(hz * 2.0**0.5)].mean() for hz in octaves_hz(transducer)])


def _smoothed(power: Floats) -> Floats:
    count = frame_at(_SMOOTH_S)
    return np.convolve(power, np.full(count, 1.0 / count), "same")


def _db(power: float) -> float:
    return round(10.0 * float(np.log10(max(_LEAST, power))), 2)
