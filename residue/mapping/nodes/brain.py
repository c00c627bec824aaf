"""Activity of a brain, from an EEG."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Sequence
from statistics import median
from typing import Annotated, Literal

import numpy as np
from msgspec import Meta

from residue.dsp import exact, filters
from residue.dsp.clipped import Clipped
from residue.dsp.contact import Hum
from residue.dsp.exact import total
from residue.dsp.filters import FromFirst, SosFilter
from residue.dsp.flat import Flat
from residue.dsp.hops import HopByHop
from residue.dsp.sliding import Filled, SlidingMean, sliding_maximum, sliding_sum
from residue.dsp.switching import Held, LastFree
from residue.mapping.node import Block, NodeContext, SlowIn, Step, Trusted
from residue.mapping.nodes.fields import HoldS, WindowS
from residue.mapping.nodes.shapes import SlowNode
from residue.mapping.signals import CONTROL_RATE_HZ, Signal, Slow

Band = Literal["delta", "theta", "alpha", "beta", "gamma"]

BANDS_HZ = {"delta": (0.5, 4.0), "theta": (4.0, 8.0), "alpha": (8.0, 13.0), "beta": (13.0, 30.0), "gamma": (30.0, 80.0)}
"""After Kane et al., glossary of the IFCN, Clin Neurophysiol Pract 2 (2017) 170-185; delta from 0.5 is our choice."""
_ORDER = 16
"""So steep that strong alpha does not count as theta: each band is within 5 % of Welch's estimate."""
_DRIFT_HZ = 0.5
_FLAT_SHARE = 1e-3
"""An electrode is flat while it moves by less than this share of the limit: even a quiet brain moves by more."""


class BandPower(SlowNode, frozen=True):
    """Power of the EEG in a named band: delta 0.5-4, theta 4-8, alpha 8-13, beta 13-30, gamma 30-80 Hz.

    "absolute" is in the square of the input's unit; "relative" is the share of all five bands together, 0 to 1;
    "ratio" is this band over the band named in `over`. While the electrode is flat, and until the window is filled
    again, share and ratio are held. A ratio never divides by less than a millionth of the whole recent power.
    Trust: 1 once the window is filled, 0 while the electrode is flat and until the window is filled again; less where
    hum of the mains is in the bands that are read, or is more than ten times as strong as all else, as at an open
    electrode; where the signal is clipped, ten times as strong as in the last 20 s, or does not fall with frequency, as
    noise and muscle. Slow movement from the beginning on, and a wrong gain, are not known.
    Latency: half the window and some cycles of the band. Source: recursive band-pass, mean square; bands after the
    glossary of the IFCN (2017).
    """

    kind = "band_power"
    family = "brain"
    has_trust = True

    input: SlowIn
    band: Annotated[Band, Meta(description="which band")]
    measure: Annotated[Literal["absolute", "relative", "ratio"], Meta(description="power, share or ratio")] = "absolute"
    over: Annotated[Band, Meta(description="for ratio: the band below the line")] = "beta"
    window_s: WindowS = 2.0

    def prepare(self, context: NodeContext) -> Step:
        """Only the bands that the measure needs."""
        ticks = max(1, round(self.window_s * CONTROL_RATE_HZ))
        level, measured, last_free = FromFirst(), self._measured(ticks), LastFree()
        flat, held, filled = Flat(CONTROL_RATE_HZ), Held(ticks), Filled(ticks)
        free_of_hum, clipped, brainlike = _FreeOfHum(ticks, self._read_hz), Clipped(ticks), _Brainlike(ticks)

        def step(block: Block) -> Trusted:
            signal = level(block.slow("input"))
            broken = held(flat(signal))
            clear = np.minimum(np.minimum(free_of_hum(signal), clipped(signal)), brainlike(signal))
            power, trust = measured(signal), np.where(filled(len(signal)) & ~broken, clear, 0.0)
            return Trusted(power if self.measure == "absolute" else last_free(power, broken), trust)

        return step

    @property
    def _read_hz(self) -> tuple[float, float]:
        """The band whose power the value is made of, or divided by, with hum if there is any in it."""
        if self.measure == "relative":
            return BANDS_HZ["delta"][0], BANDS_HZ["gamma"][1]
        has_hum = "gamma" in (self.band, self.over if self.measure == "ratio" else None)
        return BANDS_HZ["gamma" if has_hum else self.band]

    def _measured(self, ticks: int) -> Callable[[Slow], Slow]:
        power = _Power([self.band], ticks)
        if self.measure == "absolute":
            return lambda signal: power(signal)[self.band]
        against = _Power([self.over] if self.measure == "ratio" else list(BANDS_HZ), ticks)
        drift, whole = SosFilter(filters.highpass(_DRIFT_HZ, CONTROL_RATE_HZ, 2)), SlidingMean(ticks)

        def measured(signal: Slow) -> Slow:
            below = against(signal)
            above = below if self.band in below else power(signal)
            moving = drift(signal)
            least = np.maximum(whole(moving * moving) * _FLOOR_SHARE, _LEAST)
            return above[self.band] / np.maximum(total(below.values()), least)

        return measured


class Artefacts(SlowNode, frozen=True):
    """1 while the EEG is not to be trusted (a blink, a movement, a flat or saturated electrode), else 0.

    Pair it with `hold`.
    Latency: none. Source: threshold on the deviation from the running mean.
    """

    kind = "artefacts"
    family = "brain"

    input: SlowIn
    limit: Annotated[float, Meta(gt=0.0, le=1e9, description="largest trusted deviation, in the unit of the input")]
    hold_s: HoldS = 1.0
    flat_s: HoldS = 2.0

    def prepare(self, context: NodeContext) -> Step:
        """Compares the deviation with the limit, and looks for movement within the last while."""
        level, drift = FromFirst(), SosFilter(filters.highpass(_DRIFT_HZ, CONTROL_RATE_HZ, 1))
        held = Held(round(self.hold_s * CONTROL_RATE_HZ))
        flat_ticks = max(1, round(self.flat_s * CONTROL_RATE_HZ))
        highest, lowest_negative = sliding_maximum(flat_ticks), sliding_maximum(flat_ticks)

        def step(block: Block) -> Signal:
            signal = level(block.slow("input"))
            ticks = np.arange(block.span.first_tick, block.span.last_tick)
            moved = highest(signal) + lowest_negative(-signal)
            flat = (moved < _FLAT_SHARE * self.limit) & (ticks >= flat_ticks) & (self.flat_s > 0)
            return held((np.abs(drift(signal)) > self.limit) | flat).astype(np.float64)

        return step


class Asymmetry(SlowNode, frozen=True):
    """How much more power the right site has than the left: the natural logarithm of their ratio, 0 when alike.

    Feed it the alpha power of two mirrored sites. It is between -6.9 and 6.9: a ratio beyond 1,000 means a dead site.
    Latency: none. Source: ln(right) - ln(left), as is usual for frontal alpha asymmetry.
    """

    kind = "asymmetry"
    family = "brain"

    left: SlowIn
    right: SlowIn

    def prepare(self, context: NodeContext) -> Step:
        """The difference of logarithms; neither power counts as less than a thousandth of the other."""

        def step(block: Block) -> Signal:
            left, right = block.slow("left"), block.slow("right")
            least = np.maximum(np.maximum(left, right) * _DEAD_SHARE, _LEAST)
            left, right = (exact.log2(np.maximum(power, least)) for power in (left, right))
            return (right - left) * _LN_2

        return step


_LN_2 = 0.6931471805599453
_LEAST = 1e-30
_DEAD_SHARE = 1e-3
_MOST_HUM = 10.0
"""Hum of up to so many times the power of all else is usual at a dry electrode. Our choice."""
_LOWEST_MAINS_HZ, _HIGHEST_HZ = 50.0, 80.0
_WHOLE_HZ, _AWAKE_HZ, _FAST_HZ = (0.5, 30.0), (4.0, 30.0), (30.0, 40.0)
_FALLS = (1.5, 2.5)
"""So many times as much power a hertz lies in the first band as in the third: 1 in noise, such as the last digit of a
converter, and less in muscle; seldom less than 3 in a brain. Trust grows from the first figure to the second, as below.
"""
_WAKES = (0.005, 0.02)
"""The share of the power that lies in the second band; with less a brain is hidden by slow movement. Our choice."""
_AS_USUAL, _JUMPED, _USUAL_OF = 5.0, 10.0, 40
"""A brain does not become so many times as strong as in the median of so many half seconds: the electrode moved. Our
choice.
"""
_NOTHING = 1e-3
"""What is weaker than this share of the usual power does not count as usual: an electrode that is flat. Our choice."""
_FLOOR_SHARE = 1e-6
"""A share of the whole power: a band of a living brain has more."""


class _FreeOfHum:
    """The trust in an electrode, 0 to 1, by its hum over a window.

    read_hz: the band that is read. If hum can be in it, the trust is the share of its power that is not hum; else it
    falls where hum is more than ten times as strong as all else.
    """

    def __init__(self, ticks: int, read_hz: tuple[float, float]) -> None:
        within = read_hz[1] > _LOWEST_MAINS_HZ
        self._most = 0.0 if within else _MOST_HUM
        band_hz = read_hz if within else (_DRIFT_HZ, _HIGHEST_HZ)
        self._band, self._power = SosFilter(filters.bandpass(band_hz, CONTROL_RATE_HZ)), sliding_sum(ticks)
        self._hum = Hum(CONTROL_RATE_HZ, ticks, octaves=1)

    def __call__(self, signal: Slow) -> Slow:
        """The trust, (ticks,). signal: counted from its first value."""
        band = self._band(signal)
        power, hum = np.maximum(self._power(band * band), _LEAST), self._hum(band)
        rest = np.maximum(power - hum, 0.0)
        trust: Slow = np.minimum(rest * (1.0 + self._most) / power, 1.0)
        return trust


class _Brainlike:
    """The trust that a brain gives a signal, 0 to 1: its power falls with frequency, and does not jump."""

    def __init__(self, ticks: int) -> None:
        self._bands = [
            (SosFilter(filters.bandpass(band_hz, CONTROL_RATE_HZ, order)), SlidingMean(ticks))
            for band_hz, order in ((_WHOLE_HZ, 2), (_AWAKE_HZ, 4), (_FAST_HZ, _ORDER))
        ]
        self._jumps = HopByHop(CONTROL_RATE_HZ // 2, _Jumps(), np.ones(1))

    def __call__(self, signal: Slow) -> Slow:
        """The trust, (ticks,). signal: counted from its first value."""
        bands = [run(signal) for run, _ in self._bands]
        whole, awake, fast = (mean(band * band) for band, (_, mean) in zip(bands, self._bands, strict=True))
        falls = whole / np.maximum(fast, _LEAST) * ((_FAST_HZ[1] - _FAST_HZ[0]) / (_WHOLE_HZ[1] - _WHOLE_HZ[0]))
        wakes = awake / np.maximum(whole, _LEAST)
        shares = [(one - low) / (high - low) for one, (low, high) in ((falls, _FALLS), (wakes, _WAKES))]
        trust: Slow = np.minimum(np.clip(np.minimum(*shares), 0.0, 1.0), self._jumps(whole[None])[0])
        return trust


class _Jumps:
    """The trust in the power of each hop, 0 to 1: it is not many times that of most before it."""

    def __init__(self) -> None:
        self._usual: deque[float] = deque(maxlen=_USUAL_OF)

    def __call__(self, power: Slow) -> Slow:
        now, usual = float(power[0]), median(self._usual) if self._usual else 0.0
        if now >= _NOTHING * usual:
            self._usual.append(now)
        times = now / max(usual, _LEAST) if usual else 1.0
        return np.array([min(max((_JUMPED - times) / (_JUMPED - _AS_USUAL), 0.0), 1.0)])


class _Power:
    """Power of some bands over a sliding window."""

    def __init__(self, bands: Sequence[str], ticks: int) -> None:
        every = [filters.bandpass(BANDS_HZ[band], CONTROL_RATE_HZ, _ORDER) for band in bands]
        self._run, self._means = SosFilter(np.stack(every)), {band: SlidingMean(ticks) for band in bands}

    def __call__(self, signal: Slow) -> dict[str, Slow]:
        filtered = self._run(signal)
        powers = filtered * filtered
        return {band: mean(power) for (band, mean), power in zip(self._means.items(), powers, strict=True)}
