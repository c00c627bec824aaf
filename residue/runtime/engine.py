"""The engine: one thread that renders a block, sends it through the cap, and writes it, for as long as it lives.

It always writes, silence when nothing plays, so the frames written are its heartbeat. Other threads only put orders
into its queue and read the last snapshot; nothing they do can make it wait.
"""

from __future__ import annotations

import logging
import os
import threading
import time
from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import dataclass, field, replace
from functools import partial
from queue import Empty, SimpleQueue

import numpy as np
from numpy.typing import NDArray

from residue.loudness.hops import HOP_FRAMES
from residue.loudness.readings import Reading, Tally
from residue.loudness.stage import CapStage
from residue.mapping.playback import Playback, Signals
from residue.mapping.signals import Span, frame_at, seconds
from residue.output.returning import ReturningSink
from residue.runtime.fader import Fader

logger = logging.getLogger(__name__)

BLOCK_FRAMES = HOP_FRAMES
"""A hop of the cap stage, so that every performance begins at the beginning of a hop, as its level profile did."""
RETURN_FADE_S = 3.0
"""Fade-in after a loss of the device, after a hold, and wherever a performance does not begin at its beginning."""
TRIM_S = 1.0
"""How long a trim takes; our choice."""
TALLY_S = 60.0
"""One row of the level log."""
REALTIME_PRIORITY = 20
"""Of the engine thread where the machine allows it: above everything ordinary, below the kernel's own threads."""


@dataclass(frozen=True, slots=True)
class Turn:
    """A performance about to be played."""

    number: int
    performance: str
    playback: Playback
    gain: float
    """Of the plan."""


@dataclass(frozen=True, slots=True)
class Snapshot:
    """What the engine tells of itself after each block."""

    frames: int = 0
    """Written since the start: the heartbeat."""
    turn: int = 0
    performance: str | None = None
    """What is under way."""
    playhead_s: float = 0.0
    section: str | None = None
    trim: float = 1.0
    plan_gain: float = 1.0
    asked_peak: float = 0.0
    """Highest magnitude that went into the cap stage with the last block."""
    sent_peak: float = 0.0
    """Highest magnitude that came out of it and was written."""
    reading: Reading | None = None
    late_blocks: int = 0
    lost: str | None = None
    losses: int = 0
    busy: float = 0.0
    """Share of real time that the last block took to make."""
    failures: Mapping[str, str] = field(default_factory=dict)
    """By performance, what went wrong within its graph."""


Heard = Callable[[Span, Signals, float], None]
"""Told of each block: its span, its signals, and the monotonic time at which its first frame is heard."""


class Engine:
    """Plays turns through one cap stage into one sink.

    tallies: what was sent, a row a minute and one at the end, to be taken by whoever keeps the log.
    """

    def __init__(
        self,
        stage: CapStage,
        sink: ReturningSink,
        outputs: int,
        heard: Heard = lambda span, signals, heard_at_s: None,
        monotonic_s: Callable[[], float] = time.monotonic,
    ) -> None:
        self._stage = stage
        self._sink = sink
        self._heard = heard
        self._monotonic_s = monotonic_s
        self._silence = np.zeros((outputs, BLOCK_FRAMES))
        self._orders: SimpleQueue[Callable[[], None]] = SimpleQueue()
        self._turn: Turn | None = None
        self._fade = Fader(0.0)
        self._trim = Fader(1.0)
        self._presence = Fader(1.0)
        self._closing = False
        self._last = self._silence
        self._frames_to_go: int | None = None
        self.snapshot = Snapshot()
        self.tallies: SimpleQueue[Tally] = SimpleQueue()
        self._thread = threading.Thread(target=self._run, name="engine", daemon=True)

    # Orders, from any thread.

    def start(self) -> None:
        """Begin to write."""
        self._thread.start()

    def begin(self, turn: Turn) -> None:
        """Play this from where its playback stands; what was under way ends at once."""
        self._orders.put(partial(self._begin, turn))

    def refuse(self, number: int, performance: str, why: str) -> None:
        """A turn that cannot begin counts as failed."""
        self._orders.put(partial(self._refuse, number, performance, why))

    def fade_out(self, over_s: float) -> None:
        """Be silent within `over_s` and end the turn; a fade under way can only be shortened."""
        self._orders.put(partial(self._fade_out, over_s))

    def trim(self, gain: float) -> None:
        """Lower everything by a factor of at most 1."""
        self._orders.put(partial(self._set_trim, min(1.0, gain)))

    def reopen(self, why: str) -> None:
        """Let go of the sink and open it anew."""
        self._orders.put(partial(self._sink.reopen, why))

    def leave_out(self, performance: str, why: str, fade_s: float) -> None:
        """Fade this performance out; it counts as failed from now on."""
        self._orders.put(partial(self._fail, performance, why))
        self.fade_out(fade_s)

    def stop(self, fade_s: float, wait_s: float) -> bool:
        """Fade out, let the last of it be heard, and end; False when that took longer than `wait_s`."""
        self._orders.put(partial(self._stop, fade_s))
        self._thread.join(wait_s)
        return not self._thread.is_alive()

    # The thread.

    def _run(self) -> None:
        # Only where the unit or the user's limits allow it.
        with suppress(PermissionError, OSError):
            os.sched_setscheduler(0, os.SCHED_FIFO, os.sched_param(REALTIME_PRIORITY))
        while self._frames_to_go is None or self._frames_to_go > 0:
            self.run_block()
        self.tallies.put(self._stage.take_tally())
        self._sink.close()

    def run_block(self) -> None:
        """Obey what was ordered, then make and write one block."""
        with suppress(Empty):
            while True:
                self._orders.get_nowait()()
        began_s = self._monotonic_s()
        block = self._block(began_s)
        capped = self._stage.process(block)
        busy = (self._monotonic_s() - began_s) / seconds(BLOCK_FRAMES)
        self._sink.write(capped)
        self._watch_sink()
        self._count_down()
        now = self.snapshot
        self.snapshot = replace(
            now,
            frames=now.frames + BLOCK_FRAMES,
            performance=self._turn.performance if self._turn else None,
            trim=self._trim.aim,
            asked_peak=float(np.abs(block).max(initial=0.0)),
            sent_peak=float(np.abs(capped.frames).max(initial=0.0)),
            reading=self._stage.reading(),
            late_blocks=self._sink.late_blocks,
            lost=self._sink.lost,
            losses=self._sink.losses,
            busy=busy,
        )
        if self.snapshot.frames % frame_at(TALLY_S) == 0:
            self.tallies.put(self._stage.take_tally())

    def _block(self, now_s: float) -> NDArray[np.float64]:
        """What the turn gives next, under the plan and all faders; its end is found here."""
        trim, presence = self._trim.next(BLOCK_FRAMES), self._presence.next(BLOCK_FRAMES)
        turn = self._turn
        if turn is None:
            return self._silence
        fade = self._fade.next(BLOCK_FRAMES)
        sound, ended = self._sound(turn, now_s)
        if ended or (self._closing and self._fade.silent):
            self._turn = None
        return sound * (turn.gain * fade * trim * presence)

    def _sound(self, turn: Turn, now_s: float) -> tuple[NDArray[np.float64], bool]:
        """A block of the performance, and whether it ended; a graph that fails fades out within its last block."""
        try:
            played = turn.playback.step(BLOCK_FRAMES)
            if not np.isfinite(played.outputs).all():
                raise FloatingPointError("The graph gave a value that is not a number, or is infinite")
        except Exception as error:  # nodes of an artist may raise anything, and the house plays on
            logger.exception("%s failed at %.1f s", turn.performance, self.snapshot.playhead_s)
            self._fail(turn.performance, f"It failed at {self.snapshot.playhead_s:.1f} s: {error}.")
            return self._farewell(), True
        delay_s = seconds(self._stage.latency_frames) + self._sink.latency_s
        self._heard(played.span, played.signals, now_s + delay_s)
        self._last = played.outputs
        self.snapshot = replace(self.snapshot, playhead_s=seconds(played.span.stop), section=played.section)
        return played.outputs, played.ended

    def _farewell(self) -> NDArray[np.float64]:
        """The last good block, mirrored so that it joins on without a step, and faded to nothing."""
        return self._last[:, ::-1] * np.linspace(1.0, 0.0, BLOCK_FRAMES) ** 2

    def _begin(self, turn: Turn) -> None:
        at_s = seconds(turn.playback.position)
        self._turn, self._closing, self._last = turn, False, self._silence
        self._fade = Fader(0.0 if at_s else 1.0)
        self._fade.move(1.0, frame_at(RETURN_FADE_S) if at_s else 0)
        self.snapshot = replace(
            self.snapshot,
            turn=turn.number,
            performance=turn.performance,
            playhead_s=at_s,
            section=None,
            plan_gain=turn.gain,
        )

    def _set_trim(self, gain: float) -> None:
        """In silence at once, so that what begins next begins as low as it shall be."""
        self._trim.move(gain, 0 if self._turn is None else frame_at(TRIM_S))

    def _refuse(self, number: int, performance: str, why: str) -> None:
        self._turn = None
        self._fail(performance, why)
        self.snapshot = replace(self.snapshot, turn=number, performance=None, section=None)

    def _fail(self, performance: str, why: str) -> None:
        self.snapshot = replace(self.snapshot, failures={**self.snapshot.failures, performance: why})

    def _fade_out(self, over_s: float) -> None:
        frames = frame_at(over_s)
        if self._closing:
            self._fade.hasten(frames)
        else:
            self._closing = True
            self._fade.move(0.0, frames)

    def _stop(self, fade_s: float) -> None:
        self._fade_out(fade_s if self._turn else 0.0)
        fade_frames = frame_at(fade_s) if self._turn else 0
        self._frames_to_go = fade_frames + self._stage.latency_frames + frame_at(self._sink.latency_s) + BLOCK_FRAMES

    def _count_down(self) -> None:
        if self._frames_to_go is not None:
            self._frames_to_go -= BLOCK_FRAMES

    def _watch_sink(self) -> None:
        """While nothing is heard nothing is sent either, so that the return is a fade-in and no exposure is counted."""
        if self._sink.lost is not None:
            self._presence.move(0.0, 0)
        elif self._presence.aim == 0.0:
            self._presence.move(1.0, frame_at(RETURN_FADE_S))
