"""Recursive filters: second-order sections, their design, and a filter that remembers its state.

Every design function returns an array (sections, 6) of b0 b1 b2 1 a1 a2, computed with residue.dsp.exact so that
the coefficients have the same bits on every machine.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from residue.dsp import exact, kernel

Floats = NDArray[np.float64]

SUBNORMAL_GUARD = 1e-30
"""Added to every input: with subnormal numbers, into which a silent filter decays, it would run five times slower."""


class SosFilter:
    """A cascade of second-order sections over channels, remembering its state between blocks.

    sos: (sections, 6) for all channels, or (channels, sections, 6), where each has a filter of its own: channels are
    filtered side by side, which is faster than one after the other. The output does not depend on how the stream is cut
    into blocks.
    """

    def __init__(self, sos: Floats, channels: int = 1) -> None:
        self.sos = np.ascontiguousarray(sos, dtype=np.float64)
        self.state = np.zeros((len(sos) if sos.ndim == 3 else channels, self.sos.shape[-2], 2))

    def __call__(self, block: Floats) -> Floats:
        """The filtered copy of (channels, frames) or (frames,), in the same shape.

        Where each channel has a filter of its own, (frames,) is the input of all, and gives (channels, frames).
        """
        rows = block if block.ndim == 2 else block[np.newaxis]
        y = kernel.sosfilt(self.sos, x=rows, state=self.state, guard=SUBNORMAL_GUARD)
        return y if block.ndim == 2 or self.sos.ndim == 3 else y[0]

    def copy(self) -> SosFilter:
        """A filter in the same state, independent of this one from here on."""
        twin = object.__new__(SosFilter)  # without the checks of the beginning, as it happens in every hop
        twin.sos, twin.state = self.sos, self.state.copy()
        return twin


class FromFirst:
    """Subtracts the first value of a stream, so that a filter without gain at DC starts at rest, not with a thump."""

    def __init__(self) -> None:
        self._first: Floats | None = None

    def __call__(self, block: Floats) -> Floats:
        """The difference of (channels, frames) or (frames,) to the first value."""
        if self._first is None:
            if not block.shape[-1]:
                return block
            self._first = block[..., :1].copy()
        return block - self._first

    def back(self, block: Floats) -> Floats:
        """Adds the first value again, for a filter of unit gain at DC: its output then begins at that value, not 0."""
        return block if self._first is None else block + self._first


# ---- designs -----------------------------------------------------------------------------------------------------


def butterworth_qs(order: int) -> list[float]:
    """Quality factors of the second-order sections of a Butterworth filter: 1 / (2 cos theta_k)."""
    first = 1 if order % 2 else 0.5
    return [1.0 / (2.0 * exact.cos_turns((first + k) / (2 * order))) for k in range(order // 2)]


def lowpass(cutoff_hz: float, rate_hz: float, order: int = 2) -> Floats:
    """Butterworth low-pass by the bilinear transform, -3.01 dB at cutoff_hz."""
    w = exact.tan_turns(cutoff_hz / rate_hz / 2)
    sections = []
    for q in butterworth_qs(order):
        a0 = 1.0 + w / q + w * w
        b = w * w / a0
        sections.append([b, 2 * b, b, 1.0, 2.0 * (w * w - 1.0) / a0, (1.0 - w / q + w * w) / a0])
    if order % 2:
        b = w / (1.0 + w)
        sections.append([b, b, 0.0, 1.0, (w - 1.0) / (w + 1.0), 0.0])
    return np.array(sections)


def highpass(cutoff_hz: float, rate_hz: float, order: int = 2) -> Floats:
    """Butterworth high-pass by the bilinear transform, -3.01 dB at cutoff_hz."""
    w = exact.tan_turns(cutoff_hz / rate_hz / 2)
    sections = []
    for q in butterworth_qs(order):
        a0 = 1.0 + w / q + w * w
        sections.append([1 / a0, -2 / a0, 1 / a0, 1.0, 2.0 * (w * w - 1.0) / a0, (1.0 - w / q + w * w) / a0])
    if order % 2:
        b = 1.0 / (1.0 + w)
        sections.append([b, -b, 0.0, 1.0, (w - 1.0) / (w + 1.0), 0.0])
    return np.array(sections)


def bandpass(band_hz: tuple[float, float], rate_hz: float, order: int = 2) -> Floats:
    """A Butterworth high-pass at the lower edge, then a Butterworth low-pass at the upper one, each of that order."""
    low_hz, high_hz = band_hz
    return np.vstack([highpass(low_hz, rate_hz, order), lowpass(high_hz, rate_hz, order)])


def notch(centre_hz: float, *, rate_hz: float, q: float) -> Floats:
    """A notch of unit gain elsewhere, centre_hz / q wide between its -3 dB points."""
    cos, half_width = exact.cos_turns(centre_hz / rate_hz), exact.tan_turns(centre_hz / q / rate_hz / 2)
    b = 1.0 / (1.0 + half_width)
    return np.array([[b, -2.0 * b * cos, b, 1.0, -2.0 * b * cos, 2.0 * b - 1.0]])


def resonator(centre_hz: float, *, rate_hz: float, decay_s: float) -> Floats:
    """A two-pole resonance of unit peak gain that falls by 60 dB in decay_s after its input ends."""
    radius = exact.power(10.0, -3.0 / (decay_s * rate_hz))
    b = (1.0 - radius * radius) / 2.0
    return np.array([[b, 0.0, -b, 1.0, -2.0 * radius * exact.cos_turns(centre_hz / rate_hz), radius * radius]])


def one_pole_coefficient(time_constant_s: float, rate_hz: float) -> float:
    """The share of its input that a one-pole smoother takes in a frame: 1 - exp(-1 / (tau rate))."""
    return 1.0 - exact.exp(-1.0 / (time_constant_s * rate_hz))


def smoother(time_constant_s: float, rate_hz: float) -> Floats:
    """A one-pole low-pass of unit gain at DC that reaches 63 % of a step in time_constant_s."""
    share = one_pole_coefficient(time_constant_s, rate_hz)
    return np.array([[share, 0.0, 0.0, 1.0, share - 1.0, 0.0]])
