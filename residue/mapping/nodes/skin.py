"""The skin: its conductance and its temperature."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from typing import Annotated, Literal

import numpy as np
from msgspec import Meta

from residue.dsp import filters
from residue.dsp.exact import Floats
from residue.dsp.filters import FromFirst, SosFilter
from residue.dsp.hops import HopByHop
from residue.dsp.moved import Moved
from residue.dsp.sliding import SlidingMean
from residue.dsp.switching import Bools, Held
from residue.dsp.turns import Turns
from residue.mapping.node import Block, Node, NodeContext, SlowIn, Step, Trusted
from residue.mapping.nodes.shapes import InputShapes, SlowNode
from residue.mapping.signals import CONTROL_RATE_HZ, EVENTS, FRAMES_PER_TICK, Events, Shape


class SkinConductance(SlowNode, frozen=True):
    """The conductance of the skin in microsiemens, as its "tonic" level or its "phasic" part, which follows arousal.

    Everything slower than 0.05 Hz is tonic; the rest is phasic, around 0. Both add up to the input.
    Trust: 0 in the first 10 s, and for 5 s after the input was outside of 0.05 to 60 uS, changed by more than 10 uS in
    a second, or moved by more than 0.02 uS between 1 and 5 Hz, or from 5 to 20 Hz more than its phasic part, where skin
    does not; also while it has not changed for 30 s. A wrong gain and slow movement are not known.
    Latency: 0.2 s for the phasic part, about 5 s for the tonic level. Source: high-pass at 0.05 Hz after Boucsein et
    al., Psychophysiology 49 (2012) 1017-1034; trust after Kleckner et al., IEEE Trans Biomed Eng 65 (2018) 1460-1467.
    """

    kind = "skin_conductance"
    family = "skin"
    has_trust = True

    input: SlowIn
    measure: Annotated[Literal["tonic", "phasic"], Meta(description="which part")] = "phasic"

    def prepare(self, context: NodeContext) -> Step:
        """A high-pass, and the rest that it removes."""
        electrodes = _Electrodes()

        def step(block: Block) -> Trusted:
            skin = electrodes(block.slow("input"))
            read = skin.phasic if self.measure == "phasic" else electrodes.level.back(skin.smooth - skin.phasic)
            return Trusted(read, skin.trust)

        return step


class SkinResponses(Node, frozen=True):
    """An event for each response of the skin, valued with its amplitude in microsiemens: its rise within 5 s.

    Trust: that of `skin_conductance`.
    Latency: until the conductance falls again by a fifth of least_us, about 1 s after the top of the response.
    Source: from trough to peak, 0.05 uS at least, after Boucsein et al., Psychophysiology 49 (2012) 1017-1034.
    """

    kind = "skin_responses"
    family = "skin"
    has_trust = True

    input: SlowIn
    least_us: Annotated[float, Meta(gt=0.0, le=100.0, description="the smallest response, in microsiemens")] = 0.05

    def gives(self, inputs: InputShapes) -> Shape:
        """Events."""
        return EVENTS

    def prepare(self, context: NodeContext) -> Step:
        """Finds each top, and the rise of the conductance to it within 5 s."""
        electrodes, turns, recent = _Electrodes(), Turns(), deque[float](maxlen=_RISE_HOPS)
        seen, top, risen = 0, -np.inf, 0.0

        def step(block: Block) -> Trusted:
            nonlocal seen, top, risen
            skin = electrodes(block.slow("input"))
            frames, amplitudes = [], []
            for index in range(-seen % _HOP, len(skin.smooth), _HOP):
                value = float(skin.smooth[index])
                recent.append(value)
                if value > top:
                    top, risen = value, value - min(recent)
                turn = turns(seen + index, value, _BACK * self.least_us)
                if turn is not None and turn.is_top and min(risen, turn.swing) >= self.least_us:
                    frames.append((seen + index) * FRAMES_PER_TICK)
                    amplitudes.append(min(risen, turn.swing))
                if turn is not None:
                    top, risen = value, 0.0
            seen += len(skin.smooth)
            events = Events(np.array(frames, np.int64), np.array(amplitudes))
            return Trusted(events, skin.trust)

        return step


class Temperature(SlowNode, frozen=True):
    """The temperature of a body in degrees Celsius, as a slow "level", or its "rate" of change in degrees a minute.

    Trust: 0 until the window is filled, and for 5 s after the input was outside of lowest to highest or changed by more
    than half a degree in a second, as when a sensor is put on or falls off; also while it has not changed for a minute.
    Latency: half the window. Source: mean and least-squares line over the window; limits of the change are our choice.
    """

    kind = "temperature"
    family = "skin"
    has_trust = True

    input: SlowIn
    measure: Annotated[Literal["level", "rate"], Meta(description="what is read")] = "level"
    window_s: Annotated[float, Meta(ge=2.0, le=600.0, description="how far back it looks")] = 30.0
    lowest: Annotated[float, Meta(ge=-50.0, le=100.0, description="the lowest that is plausible, in degrees")] = 20.0
    highest: Annotated[float, Meta(ge=-50.0, le=100.0, description="the highest that is plausible, in degrees")] = 42.0

    def __post_init__(self) -> None:
        if self.lowest >= self.highest:
            raise ValueError(f"lowest = {self.lowest:g} is not below highest = {self.highest:g}. Exchange them.")

    def prepare(self, context: NodeContext) -> Step:
        """Fits a line through means over half a second."""
        hops = round(self.window_s * CONTROL_RATE_HZ / _LINE_HOP)
        level, recent = FromFirst(), deque[float](maxlen=hops)
        before, doubted = 0.0, _DOUBTED_HOPS

        def read(means: Floats) -> Floats:
            nonlocal before, doubted
            here, steady = means.tolist()
            is_odd = not self.lowest <= here <= self.highest or (recent and abs(here - before) > _FASTEST_A_HOP)
            doubted = 0 if is_odd else doubted + 1
            before = here
            recent.append(steady)
            known = len(recent) == hops and doubted >= _DOUBTED_HOPS
            return np.array([*_line(np.array(recent)), float(known)])

        by_hop, moved = HopByHop(_LINE_HOP, read, np.zeros(3)), Moved(_ticks(_STILL_TEMPERATURE_S))

        def step(block: Block) -> Trusted:
            values = block.slow("input")
            mean, slope, known = by_hop(np.stack((values, level(values))))
            signal = level.back(mean) if self.measure == "level" else slope * (60.0 * CONTROL_RATE_HZ / _LINE_HOP)
            return Trusted(signal, known * (moved(values[None])[0] > 0.0))

        return step


@dataclass(frozen=True, slots=True, kw_only=True)
class _Skin:
    """What two electrodes give over a block, each (ticks,), in microsiemens from the first value on.

    smooth: without what is too fast for skin. phasic: the part of that which is not tonic. trust: that it is a
    conductance of skin, 0 or 1.
    """

    smooth: Floats
    phasic: Floats
    trust: Floats


class _Electrodes:
    """Reads the conductance between two electrodes, piece by piece.

    level: takes its first value away, and gives it back.
    """

    def __init__(self) -> None:
        self.level, self._smooth = FromFirst(), SosFilter(filters.lowpass(_SMOOTH_HZ, CONTROL_RATE_HZ))
        self._phasic = SosFilter(filters.highpass(_TONIC_HZ, CONTROL_RATE_HZ))
        self._odd, self._moved = Held(_ticks(_DOUBTED_S)), Moved(_ticks(_STILL_S))
        self._fast = SosFilter(filters.bandpass(_TOO_FAST_HZ, CONTROL_RATE_HZ))
        self._noise = SosFilter(filters.bandpass(_NOISE_HZ, CONTROL_RATE_HZ, _NOISE_ORDER))
        self._fast_power, self._noise_power = SlidingMean(_ticks(_FAST_OF_S)), SlidingMean(_ticks(_FAST_OF_S))
        self._phasic_power = SlidingMean(_ticks(_PHASIC_OF_S))
        self._before, self._seen = 0.0, 0

    def __call__(self, values: Floats) -> _Skin:
        """Takes the next values, (ticks,), in microsiemens."""
        if not len(values):
            return _Skin(smooth=np.empty(0), phasic=np.empty(0), trust=np.empty(0))
        centred = self.level(values)
        smooth = self._smooth(centred)
        phasic = self._phasic(smooth)
        slopes = np.diff(smooth, prepend=self._before) * CONTROL_RATE_HZ
        self._before = float(smooth[-1])
        lowest_us, highest_us = _PLAUSIBLE_US
        odd = (values < lowest_us) | (values > highest_us) | (np.abs(slopes) > _FASTEST_US_PER_S)
        settled = self._seen + np.arange(len(values)) >= _ticks(_SETTLED_S)
        self._seen += len(values)
        odd |= self._shakes(centred, phasic)
        moves = self._moved(values[None])[0] > 0.0
        trust = (settled & ~self._odd(odd) & moves).astype(np.float64)
        return _Skin(smooth=smooth, phasic=phasic, trust=trust)

    def _shakes(self, centred: Floats, phasic: Floats) -> Bools:
        """Whether there is movement that is too fast for skin, and not only the edge of a large response."""
        fast, noise = self._fast(centred), self._noise(centred)
        fast_power, phasic_power = self._fast_power(fast * fast), self._phasic_power(phasic * phasic)
        noise_power = self._noise_power(noise * noise)
        shakes = (fast_power > _FAST_US * _FAST_US) & (fast_power > _FAST_SHARE * _FAST_SHARE * phasic_power)
        return shakes | ((noise_power > _FAST_US * _FAST_US) & (noise_power > phasic_power))


_SMOOTH_HZ = 1.0
"""No response is faster; our choice, as usual."""
_TONIC_HZ = 0.05
_PLAUSIBLE_US, _FASTEST_US_PER_S, _DOUBTED_S = (0.05, 60.0), 10.0, 5.0
"""After Kleckner et al. (2018)."""
_TOO_FAST_HZ, _FAST_OF_S, _FAST_US = (1.0, 5.0), 1.0, 0.02
_FAST_SHARE, _PHASIC_OF_S = 0.1, 10.0
"""Skin does not move between these frequencies: at most 0.003 uS in the recordings that the tests use, a hundredth of
the phasic part. The smallest response has the third figure. Our choice.
"""
_NOISE_HZ, _NOISE_ORDER = (5.0, 20.0), 6
"""What is stronger here than the phasic part hides it, or is no skin: a muscle, or noise. Hum lies above, and is
removed with all else that is too fast. Our choice.
"""
_SETTLED_S = 10.0
"""After this time the high-pass has forgotten where it began; our choice."""
_STILL_S, _STILL_TEMPERATURE_S = 30.0, 60.0
"""Coarse converters give the same value for seconds; our choice."""
_HOP = CONTROL_RATE_HZ // 20
_BACK = 0.2
"""A top is known when the conductance has fallen by this share of the smallest response. Our choice."""
_RISE_HOPS = 5 * 20
"""The hops in which a response rises: it takes 1 to 3 s (Dawson, Schell and Filion, Handbook of Psychophysiology, from
memory).
"""
_LINE_HOP = CONTROL_RATE_HZ // 2
_FASTEST_A_HOP = 0.25
_DOUBTED_HOPS = 10


def _ticks(seconds: float) -> int:
    return round(seconds * CONTROL_RATE_HZ)


def _line(values: Floats) -> tuple[float, float]:
    """The mean of values, and the slope from one value to the next of the straight line that fits them best."""
    count = len(values)
    mean = float(np.add.reduce(values)) / count
    if count == 1:
        return mean, 0.0
    away = np.arange(count) - (count - 1) / 2
    return mean, float(np.add.reduce(away * (values - mean))) / float(np.add.reduce(away * away))
