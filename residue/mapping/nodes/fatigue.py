"""The frequencies of a muscle, which fall as it tires."""

from __future__ import annotations

from typing import Annotated

import numpy as np
from msgspec import Meta

from residue.dsp import filters
from residue.dsp.contact import Contact
from residue.dsp.filters import FromFirst, SosFilter
from residue.dsp.sliding import sliding_sum
from residue.dsp.switching import Hysteresis
from residue.mapping.node import Block, NodeContext, SlowIn, Step, Trusted
from residue.mapping.nodes.fields import CutoffHz, WindowS
from residue.mapping.nodes.shapes import InputShapes, SlowNode, below_half_rate
from residue.mapping.signals import CONTROL_RATE_HZ, SLOW, Shape, Slow


class MedianFrequency(SlowNode, frozen=True):
    """The frequency, in Hz, below which half of the power between two frequencies lies.

    A row of low-passes measures how much power is below each of 32 frequencies.
    Trust: the share that is not hum of the mains; 0 while the sensor gives nothing that moves, while movement hides the
    muscle, and while it works 40 dB less than at its most; less where the signal is clipped.
    Latency: half the window. Source: definition of the median frequency; Butterworth low-passes of eighth order.
    """

    kind = "median_frequency"
    family = "muscle"
    has_trust = True

    input: SlowIn
    low_hz: CutoffHz = 5.0
    high_hz: CutoffHz = 100.0
    window_s: WindowS = 1.0

    def gives(self, inputs: InputShapes) -> Shape:
        """A slow signal, if its rate can carry the band."""
        if self.low_hz >= self.high_hz:
            raise ValueError(f"low_hz = {self.low_hz:g} is not below high_hz = {self.high_hz:g}. Exchange them.")
        below_half_rate(SLOW, high_hz=self.high_hz)
        return SLOW

    def prepare(self, context: NodeContext) -> Step:
        """Interpolates to the frequency at which the power below passes half of the whole."""
        level, band = FromFirst(), SosFilter(filters.bandpass((self.low_hz, self.high_hz), CONTROL_RATE_HZ, 4))
        edges_hz = np.linspace(self.low_hz, self.high_hz, _EDGES + 1)[1:]
        lowpasses = [SosFilter(filters.lowpass(edge_hz, CONTROL_RATE_HZ, 8)) for edge_hz in edges_hz.tolist()]
        sums = [sliding_sum(max(1, round(self.window_s * CONTROL_RATE_HZ))) for _ in range(_EDGES + 1)]
        corners_hz = np.concatenate(([self.low_hz], edges_hz))
        contact = Contact(CONTROL_RATE_HZ, works=True)

        def step(block: Block) -> Trusted:
            signal = band(level(block.slow("input")))
            parts = [*(lowpass(signal) for lowpass in lowpasses), signal]
            below = np.stack([running(part * part) for running, part in zip(sums, parts, strict=True)])
            half = below[-1] / 2
            below = np.maximum.accumulate(np.concatenate((np.zeros((1, len(signal))), below[:-1])), axis=0)
            upper = np.clip(np.argmax(below >= half, axis=0), 1, _EDGES)
            column = np.arange(len(signal))
            under, over = below[upper - 1, column], below[upper, column]
            share = np.clip((half - under) / np.maximum(over - under, _LEAST), 0.0, 1.0)
            median_hz: Slow = corners_hz[upper - 1] + share * (corners_hz[upper] - corners_hz[upper - 1])
            return Trusted(median_hz, contact(block.slow("input")))

        return step


class CrossingRate(SlowNode, frozen=True):
    """Half the zero crossings a second: for a periodic signal its frequency, in Hz.

    A crossing counts when the signal has gone beyond ignore_below on both sides.
    Trust: the share that is not hum of the mains, an offset or drift; 0 while the sensor gives nothing that moves, and
    while the muscle works 40 dB less than at its most; less where the signal is clipped.
    Latency: half the window. Source: zero-crossing count as in surface EMG.
    """

    kind = "crossing_rate"
    family = "muscle"
    has_trust = True

    input: SlowIn
    window_s: WindowS = 0.5
    ignore_below: Annotated[float, Meta(ge=0.0, le=1e9, description="noise level, in the unit of the input")] = 0.0

    def prepare(self, context: NodeContext) -> Step:
        """Counts how often the side changes."""
        side = Hysteresis(self.ignore_below, -self.ignore_below)
        ticks = max(1, round(self.window_s * CONTROL_RATE_HZ))
        running = sliding_sum(ticks)
        contact = Contact(CONTROL_RATE_HZ, drifts=True, works=True)
        was_above: bool | None = None

        def step(block: Block) -> Trusted:
            nonlocal was_above
            above = side(block.slow("input"))
            if not len(above):
                return Trusted(np.empty(0), np.empty(0))
            before = np.concatenate(([above[0] if was_above is None else was_above], above[:-1]))
            was_above = bool(above[-1])
            rate_hz: Slow = running((above != before).astype(np.float64)) * (CONTROL_RATE_HZ / (2 * ticks))
            return Trusted(rate_hz, contact(block.slow("input")))

        return step


_EDGES = 32
_LEAST = 1e-30
