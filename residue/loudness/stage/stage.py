"""The cap stage: the only way from the mapping graph to a sink."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from residue.loudness.caps.caps import Cap, protecting_caps
from residue.loudness.caps.ears import capped_ears, ears
from residue.loudness.meters.hops import HOP_FRAMES
from residue.loudness.outputs.outputs import Output
from residue.loudness.stage import limiter
from residue.loudness.stage.capped import Capped, Seal
from residue.loudness.stage.governor import Governor
from residue.loudness.stage.history import LogLag, SentHistory
from residue.loudness.stage.limiter import Limiter
from residue.loudness.stage.protection import Conditioner, OnsetGuard
from residue.loudness.stage.readings import Reading, Tally
from residue.loudness.stage.stage_meter import NoMeter, StageMeter

Floats = NDArray[np.float64]

LATENCY_FRAMES = 3 * HOP_FRAMES + limiter.DELAY_FRAMES
"""One hop that fills, one hop of look-ahead each for the onset guard and the governor, and the limiter's delay."""
LIVE_SLICE_FRAMES = 240
"""5 ms, a twentieth of a hop: what the cap stage decides at once where a living performer plays."""


class CapStage:
    """Limits the output of the graph to levels that the caps and the loudspeakers allow.

    In order: mute of samples that are not finite, trim and delay of each output, subsonic high-pass and DC block, bound
    on the rise of level, true-peak limiter, governor (caps and long-term power). It works in hops of HOP_FRAMES at
    fixed places of its own stream, so its output does not depend on the blocks. A playback that begins on a hop
    boundary of the stage has exactly the hops of its level profile. For a living performer it decides in slices of a
    hop, with less latency and more computing.
    """

    def __init__(
        self,
        outputs: Mapping[str, Output],
        caps: Sequence[Cap],
        history: SentHistory | None = None,
        *,
        metered: bool = True,
        slice_frames: int = HOP_FRAMES,
    ) -> None:
        """metered: whether `reading` and `take_tally` will be asked. What is sent does not depend on it.

        slice_frames: what it decides at once, a hop or a part of one: a divisor of HOP_FRAMES, a multiple of 120.
        """
        self.latency_frames = 3 * slice_frames + limiter.DELAY_FRAMES
        """The delay of each frame, without the delay_ms of its output."""
        every_cap = (*caps, *protecting_caps(outputs))
        self._condition = Conditioner(outputs)
        self._onset = OnsetGuard(outputs, slice_frames)
        self._limit = Limiter(outputs, slice_frames)
        heard = ears(outputs, every_cap) if metered else capped_ears(outputs, every_cap)
        self._govern = Governor(heard, outputs, every_cap, history or SentHistory(), slice_frames)
        self._meter = StageMeter(outputs, self._govern) if metered else NoMeter()
        self._limiter_gain, self._muted = 1.0, 0
        """The lowest gain of the limiter and the muted frames, since the last whole hop was sent."""
        self._waiting = np.empty((len(outputs), slice_frames))
        self._filled = 0
        # The parts of the chain cause all of the delay except the slice that fills.
        self._ready = np.zeros((len(outputs), slice_frames))
        self._seal = Seal()

    def process(self, block: Floats) -> Capped:
        """Processes a block, (outputs, frames), full scale = 1; gives as many frames, `latency_frames` later."""
        given = np.empty_like(block)
        done = 0
        while done < block.shape[1]:
            here = slice(self._filled, min(self._waiting.shape[1], self._filled + block.shape[1] - done))
            now = slice(done, done + here.stop - here.start)
            self._waiting[:, here] = block[:, now]
            given[:, now] = self._ready[:, here]
            self._filled, done = here.stop, now.stop
            if self._filled == self._waiting.shape[1]:
                self._ready, self._filled = self._next(self._waiting), 0
        return Capped(given, self._seal)

    def _next(self, hop: Floats) -> Floats:
        """Takes the next slice, and gives the one that is sent now."""
        finite = np.isfinite(hop)
        if not finite.all():
            hop = np.where(finite, hop, 0.0)
            self._muted += int(np.count_nonzero(~finite.all(axis=0)))
        sent = self._govern(self._limit(self._onset(self._condition(hop))))
        self._limiter_gain = min(self._limiter_gain, self._limit.lowest_gain)
        if self._govern.whole_hop:
            self._meter.count(self._limiter_gain, self._muted)
            self._limiter_gain, self._muted = 1.0, 0
        return sent

    def tighten(self, outputs: Mapping[str, Output], caps: Sequence[Cap]) -> None:
        """Keeps these caps and the trims of these outputs from the next hop on; they may only be stricter than before.

        No frame is lost, and the sound sent so far counts against the new caps.
        """
        every_cap = (*caps, *protecting_caps(outputs))
        before = {ear.key: ear for ear in self._govern.ears}
        wanted = {ear.key: ear for ear in ears(outputs, every_cap)}
        self._govern.tighten(tuple((before | wanted).values()), outputs, every_cap)
        self._meter.listen_to_more()
        self._condition.trim(outputs)

    def spare(self, lag: LogLag) -> None:
        """What the log does not tell yet of what is sent: each hop then uses no more than a share of a limit."""
        self._govern.lag = lag

    def begin_programme(self, *, planned: bool = True, in_order: bool = True) -> None:
        """Begins a programme: integrated loudness and loudness range start again.

        planned: a plan lowers it. in_order: it follows the sound before in an order of the plan. If one of them is
        false, every budget is spent at a rate that lasts, until its window contains no unplanned sound.
        """
        self._govern.begin_programme(planned=planned, in_order=in_order)
        self._meter.begin()

    def reading(self) -> Reading:
        """The state after the last whole hop."""
        return self._meter.reading()

    def take_tally(self) -> Tally:
        """Returns the tally since the last call, in whole hops."""
        return self._meter.take_tally()
