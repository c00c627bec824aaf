"""Movement and posture, from the three channels of an accelerometer."""

from __future__ import annotations

from collections.abc import Callable
from typing import Annotated, Literal

import numpy as np
from msgspec import Meta

from residue.dsp import exact, filters
from residue.dsp.exact import Floats
from residue.dsp.filters import FromFirst, SosFilter
from residue.dsp.moved import Moved
from residue.dsp.sliding import Filled, SlidingMean
from residue.dsp.steps import StepFinder
from residue.dsp.switching import Latch
from residue.mapping.node import Block, Node, NodeContext, SlowIn, Step, Trusted
from residue.mapping.nodes.beat_trust import BeatTrust
from residue.mapping.nodes.fields import TimeS, WindowS
from residue.mapping.nodes.shapes import InputShapes
from residue.mapping.signals import CONTROL_RATE_HZ, EVENTS, FRAMES_PER_TICK, SLOW, Events, Shape

OneG = Annotated[
    float,
    Meta(gt=0.0, le=1e9, description="what gravity measures in the unit of the channels: 1 in g, 9.81 in m/s2"),
]


class ThreeAxes(Node, frozen=True):
    """A node that reads an accelerometer: three channels, which contain gravity."""

    x: SlowIn
    y: SlowIn
    z: SlowIn
    one_g: OneG = 1.0

    def gives(self, inputs: InputShapes) -> Shape:
        """A slow signal."""
        return SLOW

    def in_g(self, block: Block) -> Floats:
        """(3, ticks): the acceleration in g."""
        return np.stack((block.slow("x"), block.slow("y"), block.slow("z"))) / self.one_g


class Movement(ThreeAxes, frozen=True):
    """The amount of movement of a body: its "energy" in g, or its "jerk" in g/s, over the last window_s; 0 at rest.

    The energy is the mean excess of the magnitude of the acceleration over 1 g. The jerk is the root mean square of the
    change of the acceleration, and shows small and sudden movement better.
    Trust: 0 until the window is filled, while an axis is dead or none moves for 2 s, and while gravity cannot be found.
    Latency: half the window. Source: ENMO of van Hees et al., PLoS ONE 8 (2013) e61691; jerk below 20 Hz, after
    Antonsson and Mann, J Biomech 18 (1985) 39-47.
    """

    kind = "movement"
    family = "movement"
    has_trust = True

    measure: Annotated[Literal["energy", "jerk"], Meta(description="what is read")] = "energy"
    window_s: WindowS = 1.0

    def prepare(self, context: NodeContext) -> Step:
        """A running mean of either."""
        ticks = _ticks(self.window_s)
        running, worn, filled = SlidingMean(ticks), _Worn(), Filled(ticks)
        measured = _above_gravity if self.measure == "energy" else _squared_jerk()

        def step(block: Block) -> Trusted:
            acceleration = self.in_g(block)
            mean = running(measured(acceleration))
            moved = mean if self.measure == "energy" else np.sqrt(mean)
            return Trusted(moved, worn(acceleration) * filled(block.span.ticks))

        return step


class Tilt(ThreeAxes, frozen=True):
    """The angle between an axis of the sensor and the vertical: 0 degrees where it points up, 180 where it points down.

    Trust: 1 while the sensor measures 1 g, 0 while movement makes this half a g more or less, or an axis is dead. Which
    way round the sensor is worn is not known.
    Latency: about time_s. Source: definition, of the low-passed acceleration as the direction of gravity.
    """

    kind = "tilt"
    family = "movement"
    has_trust = True

    axis: Annotated[Literal["x", "y", "z"], Meta(description="the axis whose angle is given")] = "z"
    time_s: TimeS = 0.3

    def prepare(self, context: NodeContext) -> Step:
        """The low-passed acceleration is gravity."""
        along, worn, level = "xyz".index(self.axis), _Worn(), FromFirst()
        others = [row for row in range(3) if row != along]
        smooth = SosFilter(filters.smoother(self.time_s, CONTROL_RATE_HZ), 3) if self.time_s > 0.0 else _as_it_is

        def step(block: Block) -> Trusted:
            acceleration = self.in_g(block)
            gravity = level.back(smooth(level(acceleration)))
            one, other = gravity[others]
            degrees = 360.0 * exact.angle_turns(np.sqrt(one * one + other * other), gravity[along])
            near = 1.0 - (np.abs(_magnitude(gravity) - 1.0) - _NEAR_G) / (_FAR_G - _NEAR_G)
            return Trusted(degrees, np.clip(near, 0.0, 1.0) * worn(acceleration))

        return step


class Stillness(ThreeAxes, frozen=True):
    """For how many seconds a body has been still; 0 while it moves.

    It is still while none of the three channels varies by more than limit_g (standard deviation) over the last second.
    Trust: 0 in the first second, while an axis is dead or none moves for 2 s, and while gravity cannot be found.
    Latency: none for movement, a second for rest. Source: van Hees et al., J Appl Physiol 117 (2014)
    738-744, 13 mg (from memory), who use 10 s.
    """

    kind = "stillness"
    family = "movement"
    has_trust = True

    limit_g: Annotated[float, Meta(gt=0.0, le=10.0, description="the largest deviation at rest")] = 0.013

    def prepare(self, context: NodeContext) -> Step:
        """Counts the ticks since the last movement."""
        level, worn, filled = FromFirst(), _Worn(), Filled(CONTROL_RATE_HZ)
        means = [(SlidingMean(CONTROL_RATE_HZ), SlidingMean(CONTROL_RATE_HZ)) for _ in range(3)]
        last = 0

        def step(block: Block) -> Trusted:
            nonlocal last
            acceleration = self.in_g(block)
            known = filled(block.span.ticks)
            moves = ~known
            for values, (mean_of, power_of) in zip(level(acceleration), means, strict=True):
                mean = mean_of(values)
                moves |= power_of(values * values) - mean * mean > self.limit_g * self.limit_g
            ticks = np.arange(block.span.first_tick, block.span.last_tick)
            moved = np.maximum.accumulate(np.where(moves, ticks, last))
            last = int(moved[-1]) if len(moved) else last
            return Trusted((ticks - moved) / CONTROL_RATE_HZ, worn(acceleration) * known)

        return step


class Steps(ThreeAxes, frozen=True):
    """An event for each step of a person who walks or runs, valued with the time from the step before in seconds.

    The first two steps of a row give no event: a jolt is not a step. `heart_rate` converts the events to steps a
    minute.
    Trust: how regular the last six steps are, fading once one is overdue; 0 while an axis is dead. Whatever jolts at a
    walking pace is taken for steps.
    Latency: 0.4 s. Source: windowed peak detection after Brajdic and Harle, UbiComp (2013) 225-234.
    """

    kind = "steps"
    family = "movement"
    has_trust = True

    least_g: Annotated[float, Meta(gt=0.0, le=10.0, description="how far a step stands out")] = 0.05

    def gives(self, inputs: InputShapes) -> Shape:
        """Events."""
        return EVENTS

    def prepare(self, context: NodeContext) -> Step:
        """Finds peaks of the magnitude, which does not depend on how the sensor is turned."""
        find, worn, trust = StepFinder(CONTROL_RATE_HZ, self.least_g), _Worn(), BeatTrust(_SURE_OF)

        def step(block: Block) -> Trusted:
            acceleration = self.in_g(block)
            steps = find(_magnitude(acceleration))
            frames = [one.known_at * FRAMES_PER_TICK for one in steps]
            intervals_s = [one.interval / CONTROL_RATE_HZ for one in steps]
            for frame, interval_s, one in zip(frames, intervals_s, steps, strict=True):
                trust.beat(frame, interval_s, one.sure)
            events = Events(np.array(frames, np.int64), np.array(intervals_s))
            return Trusted(events, trust(block.span) * worn(acceleration))

        return step


class _Worn:
    """The trust in an accelerometer, 0 to 1: its mean magnitude is near gravity, it moves, and no axis is dead."""

    def __init__(self) -> None:
        ticks = _ticks(_WORN_S)
        self._mean, self._moved = SlidingMean(ticks), Moved(ticks)
        self._dead = [Latch() for _ in range(3)]

    def __call__(self, acceleration: Floats) -> Floats:
        """The trust, (ticks,). acceleration: (3, ticks), in g."""
        mean = self._mean(_magnitude(acceleration))
        lowest, low, high, highest = _PLAUSIBLE_G
        near = np.minimum((mean - lowest) / (low - lowest), (highest - mean) / (highest - high))
        moved = self._moved(acceleration)
        most = np.where(np.isfinite(moved), moved, 0.0).max(axis=0)
        broken = most == 0.0
        broken &= np.isfinite(moved[0])
        for dead, axis in zip(self._dead, moved, strict=True):
            broken |= dead((axis == 0.0) & (most > _SHAKES_G), axis > 0.0)
        return np.where(broken, 0.0, np.clip(near, 0.0, 1.0))


_SURE_OF = 6
_WORN_S = 2.0
_SHAKES_G = 0.25
"""Where one axis moves so far and another not at all, that one is dead: no body moves along one axis alone. It stays
dead until it moves. Our choice.
"""
_PLAUSIBLE_G = (0.5, 0.8, 2.5, 4.0)
"""Bounds of the mean magnitude: between the inner two the channels are in g and include gravity. Our choice."""
_NEAR_G, _FAR_G = 0.1, 0.5
"""Distance from 1 g: up to the first it counts as gravity alone, from the second on as movement. Our choice."""
_BODY_HZ = 20.0
"""Bodies move below this frequency (Antonsson and Mann)."""


def _as_it_is(values: Floats) -> Floats:
    return values


def _ticks(seconds: float) -> int:
    return max(1, round(seconds * CONTROL_RATE_HZ))


def _magnitude(vector: Floats) -> Floats:
    x, y, z = vector
    magnitude: Floats = np.sqrt(x * x + y * y + z * z)
    return magnitude


def _above_gravity(acceleration: Floats) -> Floats:
    """The excess of the magnitude over 1 g."""
    return np.maximum(_magnitude(acceleration) - 1.0, 0.0)


def _squared_jerk() -> Callable[[Floats], Floats]:
    """The square of the change of the acceleration, in (g/s)^2."""
    level, lowpass = FromFirst(), SosFilter(filters.lowpass(_BODY_HZ, CONTROL_RATE_HZ), 3)
    before = np.zeros((3, 1))

    def squared(acceleration: Floats) -> Floats:
        nonlocal before
        smooth = lowpass(level(acceleration))
        x, y, z = np.diff(smooth, axis=1, prepend=before) * CONTROL_RATE_HZ
        before = smooth[:, -1:].copy() if smooth.shape[1] else before
        total: Floats = x * x + y * y + z * z
        return total

    return squared
