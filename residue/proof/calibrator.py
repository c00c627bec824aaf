"""What the microphone gives for the tone of a sound calibrator (IEC 60942: 94 dB at 1 kHz, as a rule)."""

from __future__ import annotations

from datetime import date

import numpy as np
from numpy.typing import NDArray

from residue.live.sound_input import SoundInput
from residue.mapping.signals import AUDIO_RATE_HZ, frame_at
from residue.proof.hearing import trouble_of
from residue.proof.settings import MicrophoneCalibration

READ_S = 5.0
_SETTLE_S = 1.0
_TONE_HZ = 1000.0
_NEAR = 2.0 ** (1.0 / 6.0)
_LEAST_SHARE = 0.9
"""So much of the power must be in the third of an octave around the tone; our choice."""


def read_calibrator(microphone: SoundInput, channel: int, level_db: float, on: date) -> MicrophoneCalibration:
    """Listens for READ_S. channel: the input, from 1. level_db: as it stands on the calibrator.

    Raises ValueError, in words for people, where it hears no steady tone of 1 kHz.
    """
    microphone.read(frame_at(_SETTLE_S))
    given = microphone.read(frame_at(READ_S))[channel - 1].astype(np.float64)
    return MicrophoneCalibration(read_dbfs=round(tone_dbfs(given), 2), level_db=level_db, on=on)


def tone_dbfs(given: NDArray[np.float64]) -> float:
    """The mean square of a tone of 1 kHz, (frames,), where a full-scale sine reads -3.01. Raises ValueError."""
    if trouble := trouble_of(given):
        raise ValueError(trouble)
    power = np.abs(np.fft.rfft(given * np.hanning(len(given)))) ** 2
    frequency_hz = np.fft.rfftfreq(len(given), 1.0 / AUDIO_RATE_HZ)
    share = power[(frequency_hz > _TONE_HZ / _NEAR) & (frequency_hz < _TONE_HZ * _NEAR)].sum() / power[1:].sum()
    if share < _LEAST_SHARE:
        raise ValueError(
            f"Only {share:.0%} of what the microphone hears is a tone of 1 kHz. Put the calibrator on it until it sits "
            "tight, switch it on, and try again."
        )
    return 10.0 * float(np.log10(np.mean(given * given)))
