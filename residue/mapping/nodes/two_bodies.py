"""Two bodies, or two signals of one: how closely their hearts, their breaths or other signals move together."""

from __future__ import annotations

from collections import deque
from statistics import median
from typing import Annotated, Literal

import numpy as np
from msgspec import Meta
from numpy.lib.stride_tricks import sliding_window_view

from residue.dsp import exact, filters
from residue.dsp.exact import Floats
from residue.dsp.filters import FromFirst, SosFilter
from residue.dsp.hops import HopByHop
from residue.dsp.phase import Phasor
from residue.dsp.sliding import Filled, SlidingMean
from residue.mapping.node import Block, EventsIn, NodeContext, SlowIn, Step, Trusted
from residue.mapping.nodes.beat_trust import BeatTrust
from residue.mapping.nodes.fields import WindowS
from residue.mapping.nodes.shapes import SlowNode
from residue.mapping.nodes.staircase import SinceEvent, Staircase
from residue.mapping.signals import AUDIO_RATE_HZ, CONTROL_RATE_HZ, Slow


class Synchrony(SlowNode, frozen=True):
    """The likeness of two slow signals over the last window_s, where one may follow the other by up to lag_s.

    "correlation" is the highest over all lags, -1 to 1; "lag" is that lag in seconds, above 0 where b follows a. Feed
    it two heart rates, or two belts. Over a window of a few breaths two independent bodies seem alike as well: use a
    window of at least ten breaths.
    Trust: 0 until window_s and lag_s have passed, and while one of the two does not move; else that of the inputs.
    That of the lag is no higher than the correlation: what is not alike has no lag.
    Latency: half the window. Source: windowed cross-correlation of Boker et al., Psychol Methods 7 (2002) 338-355, of
    means over 0.1 s.
    """

    kind = "synchrony"
    family = "two bodies"
    has_trust = True

    a: SlowIn
    b: SlowIn
    measure: Annotated[Literal["correlation", "lag"], Meta(description="how alike, or how late")] = "correlation"
    window_s: Annotated[float, Meta(ge=1.0, le=120.0, description="how far back it looks")] = 40.0
    lag_s: Annotated[float, Meta(ge=0.0, le=10.0, description="by how much one may follow the other")] = 3.0

    def prepare(self, context: NodeContext) -> Step:
        """Compares hop by hop."""
        lags = _Lags(round(self.window_s / _HOP_S), round(self.lag_s / _HOP_S))
        by_hop, level = HopByHop(round(_HOP_S * CONTROL_RATE_HZ), lags, np.zeros(3)), FromFirst()

        def step(block: Block) -> Trusted:
            correlation, lag, known = by_hop(level(np.stack((block.slow("a"), block.slow("b")))))
            if self.measure == "correlation":
                return Trusted(correlation, known)
            return Trusted(lag * _HOP_S, known * np.maximum(correlation, 0.0))

        return step


class CyclePhase(SlowNode, frozen=True):
    """The place of a body within a cycle: 0 at an event (a beat, a step, a breath), and near 1 just before the next.

    It moves at the speed of the last three cycles, and waits at the end while an event is overdue.
    Trust: 1 while events come, fading once one is overdue; 0 until two came.
    Latency: that of the events. Source: phase of a point process as in Rosenblum et al., Phys Rev Lett 76 (1996)
    1804-1807, extrapolated from the past instead of interpolated between events.
    """

    kind = "cycle_phase"
    family = "two bodies"
    has_trust = True

    input: EventsIn

    def prepare(self, context: NodeContext) -> Step:
        """Draws a line from each event on."""
        intervals, trust = deque[int](maxlen=_CYCLES), BeatTrust(_CYCLES)
        since, length = SinceEvent(), Staircase(float(AUDIO_RATE_HZ))
        before: int | None = None

        def step(block: Block) -> Trusted:
            nonlocal before
            changes, frames = [], block.events("input").frames.tolist()
            for frame in frames:
                interval = 0 if before is None else frame - before
                if interval > 0:
                    intervals.append(interval)
                    changes.append((frame, float(median(intervals))))
                trust.beat(frame, interval / AUDIO_RATE_HZ, float(interval > 0))
                before = frame
            phase: Slow = np.minimum(since(block.span, frames) / length(block.span, changes), _END)
            return Trusted(phase, trust(block.span))

        return step


class PhaseLocking(SlowNode, frozen=True):
    """How constant the distance of two phases (0 to 1) is over the last window_s: 0 not at all, 1 always the same.

    Feed it phases of `breath` or `cycle_phase`. "strength" is the phase-locking value, "difference" the mean distance
    from b to a, -0.5 to 0.5 of a cycle. For four beats in a breath, write a_times = 4 for the breath. For n cycles of
    independent bodies it is about 1 / sqrt(n), and more for two of similar rate.
    Trust: 0 until the window is filled; else that of the inputs. That of the difference is no higher than the strength.
    Latency: half the window. Source: Lachaux et al., Hum Brain Mapp 8 (1999) 194-208, over time instead of trials.
    """

    kind = "phase_locking"
    family = "two bodies"
    has_trust = True

    a: SlowIn
    b: SlowIn
    measure: Annotated[Literal["strength", "difference"], Meta(description="how steady, or how far")] = "strength"
    a_times: Annotated[int, Meta(ge=1, le=32, description="the phase of a is multiplied by it")] = 1
    b_times: Annotated[int, Meta(ge=1, le=32, description="the phase of b is multiplied by it")] = 1
    window_s: WindowS = 40.0

    def prepare(self, context: NodeContext) -> Step:
        """The mean of the difference on the circle."""
        ticks = max(1, round(self.window_s * CONTROL_RATE_HZ))
        mean_sine, mean_cosine, filled = SlidingMean(ticks), SlidingMean(ticks), Filled(ticks)

        def step(block: Block) -> Trusted:
            difference = block.slow("a") * self.a_times - block.slow("b") * self.b_times
            phase = exact.phases(difference)
            sine, cosine = mean_sine(exact.sine(phase)), mean_cosine(exact.cosine(phase))
            known = filled(len(phase)).astype(np.float64)
            strength = np.minimum(np.sqrt(sine * sine + cosine * cosine), 1.0)
            if self.measure == "strength":
                return Trusted(strength, known)
            return Trusted(np.copysign(exact.angle_turns(np.abs(sine), cosine), sine), known * strength)

        return step


class Coherence(SlowNode, frozen=True):
    """The share of two slow signals between low_hz and high_hz that is one movement, of any size and any delay: 0 to 1.

    Feed it two belts, two heart rates, or the breath and the heart of one body. A delay of more than a third of 1 /
    (high_hz - low_hz) lowers the result.
    Trust: 0 until the window is filled; then the share that is not chance, 1 - 1 / (window_s (high_hz - low_hz)), and
    no more than that of the inputs.
    Latency: half the window. Source: magnitude-squared coherence, averaged over time (Carter, Proc IEEE 75 (1987)
    236-255), of the band shifted to 0 Hz (complex demodulation).
    """

    kind = "coherence"
    family = "two bodies"
    has_trust = True

    a: SlowIn
    b: SlowIn
    low_hz: Annotated[float, Meta(ge=0.01, le=100.0, description="lower edge of the band")] = 0.1
    high_hz: Annotated[float, Meta(ge=0.01, le=100.0, description="upper edge of the band")] = 0.4
    window_s: WindowS = 40.0

    def __post_init__(self) -> None:
        if self.low_hz >= self.high_hz:
            raise ValueError(f"low_hz = {self.low_hz:g} is not below high_hz = {self.high_hz:g}. Exchange them.")
        if self._independent < _FEWEST:
            wide_hz = self.high_hz - self.low_hz
            raise ValueError(
                f"window_s = {self.window_s:g} is too short for a band of {wide_hz:g} Hz: anything would be coherent. "
                f"Write {_FEWEST / wide_hz:.3g} or more, or a wider band."
            )

    @property
    def _independent(self) -> float:
        """The number of independent values of the band within the window."""
        return self.window_s * (self.high_hz - self.low_hz)

    def prepare(self, context: NodeContext) -> Step:
        """Both bands at 0 Hz, as cosine and sine, and the means of their products."""
        ticks, trusted = max(1, round(self.window_s * CONTROL_RATE_HZ)), 1.0 - 1.0 / self._independent
        carrier, level = Phasor(CONTROL_RATE_HZ), FromFirst()
        centre_hz, half_hz = (self.low_hz + self.high_hz) / 2, (self.high_hz - self.low_hz) / 2
        band = SosFilter(filters.bandpass((self.low_hz, self.high_hz), CONTROL_RATE_HZ), 2)
        lowpass = SosFilter(filters.lowpass(half_hz, CONTROL_RATE_HZ, _ORDER), 4)
        means, filled = [SlidingMean(ticks) for _ in range(4)], Filled(ticks)

        def step(block: Block) -> Trusted:
            signals = band(level(np.stack((block.slow("a"), block.slow("b")))))
            phase = carrier(centre_hz, signals.shape[1])
            waves = exact.cosine(phase), exact.sine(phase)
            a_cos, b_cos, a_sin, b_sin = lowpass(np.concatenate([signals * wave for wave in waves]))
            products = (
                a_cos * b_cos + a_sin * b_sin,
                a_sin * b_cos - a_cos * b_sin,
                a_cos * a_cos + a_sin * a_sin,
                b_cos * b_cos + b_sin * b_sin,
            )
            real, imaginary, a, b = (mean(product) for mean, product in zip(means, products, strict=True))
            both = np.sqrt(a) * np.sqrt(b)
            shared = np.sqrt(real * real + imaginary * imaginary) / np.maximum(both, _LEAST)
            known = filled(len(both)) & (both > _LEAST)
            return Trusted(np.minimum(shared * shared, 1.0), np.where(known, trusted, 0.0))

        return step


class _Lags:
    """The highest correlation over all lags, its lag in hops, and whether it is known, 0 or 1."""

    def __init__(self, window: int, lags: int) -> None:
        self._window, self._lags = window, lags
        self._recent = np.zeros((2, window + lags))
        self._seen, self._widest = 0, np.zeros(2)

    def __call__(self, means: Floats) -> Floats:
        self._recent = np.concatenate((self._recent[:, 1:], means[:, None]), axis=1)
        self._seen, self._widest = self._seen + 1, np.maximum(self._widest, np.abs(means))
        if self._seen < self._recent.shape[1]:
            return np.zeros(3)
        # Row j of the windows ends lags - j hops before now.
        a, b = (_centred(sliding_window_view(recent, self._window)) for recent in self._recent)
        moved = np.array([_power(a[-1]), _power(b[-1])])
        known = (moved > _STILL * self._window * self._widest * self._widest).all()
        # b follows a: compare an earlier window of a with the last of b, from no lag to the longest; then vice versa.
        follows, leads = _correlation(a, b[-1])[::-1], _correlation(b, a[-1])[::-1]
        correlations = np.concatenate((follows, leads[1:]))
        best = int(np.argmax(correlations))
        lag = best if best <= self._lags else self._lags - best
        return np.array([correlations[best], lag, 1.0]) if known else np.zeros(3)


def _centred(windows: Floats) -> Floats:
    """Each row without its mean."""
    own = windows.copy()
    means: Floats = np.add.reduce(own, axis=1) / own.shape[1]
    return own - means[:, None]


def _power(windows: Floats) -> Floats:
    """The power of a window, or of each row."""
    return np.asarray(np.add.reduce(windows * windows, axis=-1), np.float64)


def _correlation(windows: Floats, window: Floats) -> Floats:
    """The correlation of each row with a window, all centred."""
    products = np.add.reduce(windows * window, axis=1)
    powers = np.sqrt(_power(windows)) * np.sqrt(_power(window))
    found: Floats = np.clip(products / np.maximum(powers, _LEAST), -1.0, 1.0)
    return found


_HOP_S = 0.1
_STILL = 1e-12
"""A share of the square of the widest movement so far: a signal that moves by less does not move. Our choice."""
_LEAST = 1e-30
_CYCLES = 3
_END = 1.0 - 2.0**-20
_ORDER = 4
_FEWEST = 2.0
