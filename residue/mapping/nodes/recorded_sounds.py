"""Recorded sounds that nodes read from the installation's folder when they are prepared."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from residue.dsp.exact import Floats
from residue.mapping.node import NodeContext
from residue.mapping.signals import AUDIO_RATE_HZ


def recorded(context: NodeContext, file: str) -> Floats:
    """All channels of a WAV or FLAC file, (channels, frames).

    Raises ValueError, in words for people, where it cannot be read or has another rate.
    """
    import soundfile  # for the few pieces with recorded sounds

    path = Path(context.folder) / file
    try:
        frames, rate_hz = soundfile.read(path, always_2d=True)
    except (OSError, soundfile.SoundFileError) as error:
        raise ValueError(f"The recording {path} cannot be read: {error}. Put a WAV or FLAC file there.") from error
    if rate_hz != AUDIO_RATE_HZ:
        raise ValueError(f"The recording {path} has {rate_hz} frames a second. Convert it to {AUDIO_RATE_HZ}.")
    if not np.isfinite(frames).all():
        raise ValueError(f"The recording {path} holds values that are no numbers. Export it again.")
    return np.ascontiguousarray(frames.T)
