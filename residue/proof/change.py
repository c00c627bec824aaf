"""How much louder the room has become while the piece plays: by what follows the sound that is sent, and nothing else.

The response from the outputs to the microphone is worked out by least squares in each frequency, from some minutes of
the piece itself. Voices, steps and music from next door do not follow what is sent wave by wave: they raise the noise
and not the response, however loud they are, and however much in time. Source: J. S. Bendat and A. G. Piersol, "Random
Data", systems of several inputs: the coherent output power.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.signal import fftconvolve, resample_poly

from residue.mapping.signals import AUDIO_RATE_HZ

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]

THINNED = 8
RATE_HZ = AUDIO_RATE_HZ // THINNED
_FRAME = 4096
"""0.7 s: a room's response and a few tens of ms by which two devices lie apart."""
_BAND_HZ = (60.0, 2000.0)
_LEAST_COHERENCE = 0.3
"""Of the reference, in each frequency that is used; our choice."""
_LEAST_SHARE = 0.03
"""So much of what the microphone hears must follow what is sent; our choice."""
_REGULAR = 1e-9
LEARNT_WINDOWS = 5
"""So many windows are the reference."""
_DISTURBED_DB = 1.0
"""A window that is so much quieter than another is not the room alone; our choice."""
SURE_WINDOWS = 3
"""So many in a row must be louder."""


@dataclass(frozen=True, slots=True)
class Spectra:
    """Sums over the frames of a window, of every other one each. sent: (2, bins, outputs, outputs).

    both: (2, bins, outputs). heard: (bins,).
    """

    sent: Complexes
    both: Complexes
    heard: Floats

    def __add__(self, other: Spectra) -> Spectra:
        """Both together."""
        return Spectra(self.sent + other.sent, self.both + other.both, self.heard + other.heard)

    @property
    def response(self) -> Complexes:
        """(bins, outputs): from the outputs to the microphone."""
        return _solved(self.sent.sum(axis=0), self.both.sum(axis=0))

    def power_of(self, response: Complexes, other: Complexes | None = None) -> Floats:
        """(bins,): what the microphone would hear of what was sent, by this response."""
        by = response if other is None else other
        power: Floats = np.einsum("bi,bij,bj->b", response.conj(), self.sent.sum(axis=0), by).real
        return power

    @property
    def follows(self) -> Floats:
        """(bins,): the power that follows what is sent.

        The responses of two halves agree in the room alone: other sounds are not the same in both, so they add nothing
        on average, however they swell.
        """
        one, other = (_solved(sent, both) for sent, both in zip(self.sent, self.both, strict=True))
        return self.power_of(one, other)


def _solved(sent: Complexes, both: Complexes) -> Complexes:
    trace = np.einsum("bii->b", sent).real
    regular = sent + (_REGULAR * trace[:, None, None] + 1e-30) * np.eye(sent.shape[-1])
    return np.linalg.solve(regular, both[..., None])[..., 0].astype(np.complex128)


def thinned(sound: Floats) -> Floats:
    """Sound of 48 kHz at RATE_HZ, along its last axis."""
    given: Floats = resample_poly(sound, 1, THINNED, axis=-1)
    return given


def aligned(sent: Floats, heard: Floats) -> Floats:
    """The part of what was heard that fits what was sent best.

    sent: (outputs, frames). heard: (more,), among which it is. Both at RATE_HZ.
    """
    whole = sent.sum(axis=0)
    likeness = np.abs(fftconvolve(heard, whole[::-1], "valid"))
    at = int(np.argmax(likeness))
    return heard[at : at + len(whole)]


def spectra(sent: Floats, heard: Floats) -> Spectra:
    """sent: (outputs, frames), heard: (frames,), both at RATE_HZ and of the same time, within some tens of ms."""
    both = np.vstack((sent, heard[None]))
    frames = both.shape[1] // _FRAME
    cut = both[:, : frames * _FRAME].reshape(len(both), frames, _FRAME) * np.hanning(_FRAME)
    frequency_hz = np.fft.rfftfreq(_FRAME, 1.0 / RATE_HZ)
    inside = (frequency_hz >= _BAND_HZ[0]) & (frequency_hz <= _BAND_HZ[1])
    transformed = np.fft.rfft(cut, axis=2)[:, :, inside]
    halves = [(transformed[:-1, part::2], transformed[-1, part::2]) for part in (0, 1)]
    return Spectra(
        np.array([np.einsum("ikb,jkb->bij", x.conj(), x) for x, _ in halves]),
        np.array([np.einsum("ikb,kb->bi", x.conj(), y) for x, y in halves]),
        (abs(transformed[-1]) ** 2).sum(axis=0),
    )


def change_db(now: Spectra, reference: Spectra) -> float | None:
    """How much louder what follows the sent sound is than by the reference; None where that cannot be told."""
    used = reference.follows >= _LEAST_COHERENCE * reference.heard
    expected = np.where(used, now.power_of(reference.response), 0.0).sum()
    found = np.where(used, now.follows, 0.0).sum()
    if expected <= 0.0 or found < _LEAST_SHARE * now.heard[used].sum():
        return None
    return float(10.0 * np.log10(found / expected))


class LouderRoom:
    """Learns the room from the first windows of a day, and tells by how much it is louder since.

    louder_db: the least of the last SURE_WINDOWS, where all of them are told; 0 otherwise, and never below 0.
    """

    def __init__(self) -> None:
        self._reference: Spectra | None = None
        self._learnt = 0
        self._last: deque[float] = deque(maxlen=SURE_WINDOWS)

    @property
    def louder_db(self) -> float:
        """Never below 0."""
        return max(0.0, min(self._last)) if len(self._last) == SURE_WINDOWS else 0.0

    def look(self, window: Spectra) -> float | None:
        """The change in a window, in dB; None while it learns, and where it cannot be told."""
        changed = None if self._reference is None else change_db(window, self._reference)
        if self._learnt < LEARNT_WINDOWS:
            self._learn(window, changed)
            return None
        if changed is None:
            self._last.clear()
        else:
            self._last.append(changed)
        return changed

    def _learn(self, window: Spectra, changed_db: float | None) -> None:
        """Takes a window into the reference; one that a gap in what was sent or heard makes quieter is left out."""
        if self._reference is None:
            known = window.follows.sum() >= _LEAST_SHARE * window.heard.sum()
            self._reference, self._learnt = (window, 1) if known else (None, 0)
        elif changed_db is not None and changed_db > _DISTURBED_DB:
            self._reference, self._learnt = window, 1
        elif changed_db is not None and changed_db >= -_DISTURBED_DB:
            self._reference, self._learnt = self._reference + window, self._learnt + 1
