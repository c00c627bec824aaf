"""The exponential sine sweep that proves an output, and the response of the room that a recording of it gives.

Source: A. Farina, "Simultaneous measurement of impulse response and distortion with a swept-sine technique", AES 108th
Convention, 2000: what a loudspeaker distorts arrives before the response itself, and does not disturb it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import lru_cache

import msgspec
import numpy as np
from numpy.typing import NDArray

from residue.loudness.calibration.check_tone import LOUDEST_DBFS, TONE_DBC, UNCALIBRATED_DBFS
from residue.loudness.meters.weightings import Weighting
from residue.loudness.outputs.calibration import PINK_BAND_HZ, band_level_db, offset_db
from residue.loudness.outputs.outputs import Output
from residue.mapping.signals import AUDIO_RATE_HZ, frame_at

Floats = NDArray[np.float64]

SWEEP_S = 3.0
REST_S = 2.0
"""After each sweep, for the room to fall silent, and to tell its noise."""
_FADE_S = 0.05
SLOT_FRAMES = frame_at(SWEEP_S + REST_S)
_LEAST_SHARE = 1e-3
"""Of the largest power of the sweep: where it has less, a response is not worked out."""


class Slot(msgspec.Struct, frozen=True, kw_only=True):
    """The sweep of one output.

    first_frame: since the beginning of the whole sound, with the delay of the output. level_dbfs: its mean square.
    """

    output: str
    transducer: str
    first_frame: int
    level_dbfs: float


@lru_cache
def sweep(transducer: str) -> Floats:
    """(frames,): the sweep through the band of a kind of transducer, of mean square 1 but for its short fades.

    The frequency rises by the same ratio in each second, so that every octave has the same energy.
    """
    low_hz, high_hz = PINK_BAND_HZ[transducer]
    time_s = np.arange(frame_at(SWEEP_S)) / AUDIO_RATE_HZ
    ratio = np.log(high_hz / low_hz)
    turns = low_hz * SWEEP_S / ratio * (np.exp(time_s / SWEEP_S * ratio) - 1.0)
    fade = np.clip(np.minimum(time_s, time_s[::-1]) / _FADE_S, 0.0, 1.0)
    swept: Floats = np.sqrt(2.0) * np.sin(2.0 * np.pi * turns) * np.sin(0.5 * np.pi * fade) ** 2
    swept.setflags(write=False)
    return swept


def level_dbfs(output: Output) -> float:
    """As quiet as a check tone: speech at the visitor's place, or low in the wire where nobody calibrated."""
    if output.calibration is None:
        return UNCALIBRATED_DBFS
    pink_dbc = band_level_db(Weighting.C, PINK_BAND_HZ[output.transducer])
    full_scale_dbc = offset_db(output.calibration, Weighting.C, output.transducer) + pink_dbc
    return min(LOUDEST_DBFS, TONE_DBC[output.transducer] - full_scale_dbc)


def slots_of(outputs: Mapping[str, Output]) -> list[Slot]:
    """One sweep after the other, in the order of the outputs."""
    return [
        Slot(
            output=name,
            transducer=output.transducer,
            first_frame=number * SLOT_FRAMES + frame_at(output.delay_ms / 1000.0),
            level_dbfs=level_dbfs(output),
        )
        for number, (name, output) in enumerate(outputs.items())
    ]


def sound_of(outputs: Mapping[str, Output]) -> Floats:
    """(outputs, frames): the whole sound as it goes into the cap stage, which adds the delays."""
    sound = np.zeros((len(outputs), len(outputs) * SLOT_FRAMES))
    for number, output in enumerate(outputs.values()):
        swept = sweep(output.transducer)
        at = number * SLOT_FRAMES
        sound[number, at : at + len(swept)] = 10.0 ** (level_dbfs(output) / 20.0) * swept
    return sound


def response(recording: Floats, transducer: str) -> Floats:
    """(frames,): the response to the sweep at full level, at each delay from the beginning of the recording."""
    swept = sweep(transducer)
    frames = 1 << (len(recording) + len(swept) - 1).bit_length()
    spectrum = np.fft.rfft(swept, frames)
    power = np.abs(spectrum) ** 2
    frequency_hz = np.fft.rfftfreq(frames, 1.0 / AUDIO_RATE_HZ)
    low_hz, high_hz = PINK_BAND_HZ[transducer]
    inside = (frequency_hz >= low_hz) & (frequency_hz <= high_hz)
    inverse = np.where(inside, np.conj(spectrum) / np.maximum(power, _LEAST_SHARE * power.max()), 0.0)
    given: Floats = np.fft.irfft(np.fft.rfft(recording, frames) * inverse, frames)[: len(recording)]
    return given


def octaves_hz(transducer: str) -> Sequence[float]:
    """The middle frequencies of the whole octaves within the band (IEC 61260-1)."""
    low_hz, high_hz = PINK_BAND_HZ[transducer]
    middles = (1000.0 * 2.0**octave for octave in range(-7, 5))
    return [middle for middle in middles if middle / 2.0**0.5 >= low_hz and middle * 2.0**0.5 <= high_hz]
