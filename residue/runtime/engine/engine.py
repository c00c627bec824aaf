"""The engine: one thread that renders a block, sends it through the cap, and writes it, for as long as it lives.

It always writes, also silence, so the number of written frames is its heartbeat. Other threads only put orders into its
queue and read the last snapshot; they cannot make it wait.
"""

from __future__ import annotations

import logging
import threading
import time
from collections import deque
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from functools import partial
from math import fsum, inf
from queue import Empty, SimpleQueue

import numpy as np
from numpy.typing import NDArray

from residue.loudness.caps.caps import Cap
from residue.loudness.meters.direct_current import DirectCurrentMeter
from residue.loudness.meters.hops import HOP_FRAMES
from residue.loudness.outputs.outputs import Output
from residue.loudness.stage.history import LogLag
from residue.loudness.stage.readings import Tally
from residue.loudness.stage.stage import CapStage
from residue.mapping.playback import Playable
from residue.mapping.signals import frame_at, seconds
from residue.output.returning import ReturningSink
from residue.processes import MAKES_FRAMES, keep_time
from residue.runtime.engine.crossfade import EveningCrossfade
from residue.runtime.engine.fader import Fader
from residue.runtime.engine.observers import SentObserver, SpanObserver
from residue.runtime.engine.place_in_step import PlaceInStep
from residue.runtime.engine.snapshot import Failure, Snapshot
from residue.runtime.engine.tone import Tone
from residue.runtime.journal.tallies import TALLY_S

logger = logging.getLogger(__name__)

BLOCK_FRAMES = HOP_FRAMES
"""A hop of the cap stage, so that every performance begins at the beginning of a hop, like its level profile."""
SWITCH_S = 0.0005
"""A thread waits at most so long for the interpreter: with Python's 5 ms a busy thread takes too much time from the
engine.
"""
RETURN_FADE_S = 3.0
"""Fade-in after a loss of the device, after a hold, and when a performance does not start at its beginning."""
CROSSFADE_S = 4.0
"""The length of the crossfade from one turn to another; our choice."""
READING_S = 0.5
"""How often the levels are read. Our choice: people look seldom, and a reading of each block takes half a percent of a
processor.
"""
TRIM_S = 1.0
"""The time in which a trim changes; our choice."""
ASTRAY_FADE_S = 1.0
"""The fade-out of a room that falls out of step: less than LEAVE_HOPS of in_step.py."""
STALL_S = 1.0
"""The buffer of a device does not bridge a longer gap between two blocks: then sound comes back with a fade."""
REBUILD_WAIT_S = 0.5
"""A thread that still runs leaves the sink within a block."""
BUSY_S = 0.6
"""The computing time is a mean over so long. Our choice: twice what a playback computes at once."""
PEAKS_S = 1.0
"""Peaks cover this time, from one check of the watchdog to the next. So a short sound that leaves the cap later than it
entered does not count as silence.
"""


@dataclass(frozen=True, slots=True)
class Turn:
    """A performance that is about to play."""

    number: int
    performance: str
    playback: Playable
    gain: float
    """The gain of the plan."""
    planned: bool = True
    """Whether a plan includes it; without a plan the gain is 1."""
    in_order: bool = True
    """Whether it follows the sound before in an order of the plan."""
    first_hop: int | None = None
    """The hop of the clock at which its first frame is heard, in a room in step; None elsewhere."""


class Engine:
    """Plays turns through one cap stage into one sink.

    tallies: the levels sent, one at the start, one a second and one at the end. log_lags: LogWriter.lags. block_frames:
    a share of 1 s.
    """

    def __init__(
        self,
        stage: CapStage,
        sink: ReturningSink,
        outputs: int,
        heard: SpanObserver = lambda span, signals, heard_at_s: None,
        monotonic_s: Callable[[], float] = time.monotonic,
        log_lags: Callable[[int], LogLag] = lambda frames: LogLag.NONE,
        block_frames: int = BLOCK_FRAMES,
        sent: SentObserver = lambda first_frame, frames, heard_at_s: None,
    ) -> None:
        self._stage, self._log_lags, self._block_frames, self._sent = stage, log_lags, block_frames, sent
        self._sink = sink
        self._heard = heard
        self._monotonic_s = monotonic_s
        self._silence = np.zeros((outputs, block_frames))
        self._orders: SimpleQueue[Callable[[], None]] = SimpleQueue()
        self._turn: Turn | None = None
        self._fade = Fader(0.0)
        self._place: PlaceInStep | None = None
        """The turn's place in step with the clock, in a room in step."""
        self._crossfade: EveningCrossfade | None = None
        self._trim = Fader(1.0)
        self._lowered = Fader(1.0)
        """The factor by which the plan has become lower since the turn began."""
        self._presence = Fader(1.0)
        self._closing = False
        self._last = self._silence
        self._tone = Tone()
        self._peaks: deque[tuple[float, float]] = deque(maxlen=frame_at(PEAKS_S) // block_frames)
        """The peaks of the last blocks, before and after the cap stage."""
        self._computing_s: deque[float] = deque(maxlen=frame_at(BUSY_S) // block_frames)
        """What the last blocks took; a playback may compute several at once."""
        self._direct_current = DirectCurrentMeter(outputs)
        self._frames_to_go: int | None = None
        self._began_s = inf
        """The time at which the last block began."""
        self._ended = False
        """Whether everything was sent and reported, with the last fade."""
        self._generation = 0
        self._sending = threading.Lock()
        """A thread holds this lock while it is in the cap stage or the sink."""
        self.snapshot = Snapshot()
        self.tallies: SimpleQueue[Tally] = SimpleQueue()
        self.tallies.put(stage.take_tally())  # of nothing: the log tells the limits before anything is sent
        self._thread = self._new_thread()

    # Orders, from any thread.

    def start(self) -> None:
        """Starts the engine's thread."""
        self._thread.start()

    def begin(self, turn: Turn) -> None:
        """Plays this turn from the position of its playback, with a crossfade from the present performance."""
        self._orders.put(partial(self._begin, turn))

    def refuse(self, number: int, performance: str, why: str) -> None:
        """Counts a turn that cannot begin as failed."""
        self._orders.put(partial(self._refuse, number, performance, why))

    def forgive(self, performance: str) -> None:
        """Notes that a failed performance has been repaired: it no longer counts as failed."""
        self._orders.put(partial(self._forgive, performance))

    def sound_tone(self, tone: NDArray[np.float64]) -> None:
        """Plays a sound, (outputs, frames), once, if no turn is under way."""
        self._orders.put(partial(self._begin_tone, tone))

    def fade_out(self, over_s: float) -> None:
        """Fades to silence within `over_s` and ends the turn; a fade under way can only become shorter."""
        self._orders.put(partial(self._fade_out, over_s))

    def trim(self, gain: float) -> None:
        """Lowers everything by a factor of at most 1."""
        self._orders.put(partial(self._set_trim, min(1.0, gain)))

    def tighten(self, outputs: Mapping[str, Output], caps: Sequence[Cap]) -> None:
        """Keeps these stricter caps and lower trims from the next hop of the cap stage on."""
        self._orders.put(partial(self._stage.tighten, outputs, caps))

    def lower_plan(self, number: int, gain: float, further: Callable[[Playable], None] = lambda playback: None) -> None:
        """Lowers the present turn, because its plan has become lower. further: lowers parts of it."""
        self._orders.put(partial(self._lower_plan, number, gain, further))

    def reopen(self, why: str) -> None:
        """Closes the sink and opens it again."""
        self._orders.put(partial(self._sink.reopen, why))

    def leave_out(self, performance: str, why: str, fade_s: float) -> None:
        """Fades this performance out; it counts as failed from now on."""
        self._orders.put(partial(self._fail, performance, why))
        self.fade_out(fade_s)

    def silence(self, why: str) -> None:
        """Stays silent until the program is started again."""
        self._orders.put(partial(self._sink.give_up, why))

    def rebuild(self, why: str) -> bool:
        """Continues with a new thread and a fade-in. The present performance counts as failed, as its graph hangs.

        The cap stage stays, with the history of all sent sound. Returns False if the old thread hangs in the stage or
        in the sink: these cannot be taken from it, and only the end of the process helps.
        """
        self._generation += 1  # first, so that a thread that runs after all does not take the lock again
        if not self._sending.acquire(timeout=REBUILD_WAIT_S):
            return False
        try:
            turn, self._turn, self._crossfade = self._turn, None, None
            if turn is not None:
                self._fail(turn.performance, why)
            self._began_s = -inf
        finally:
            self._sending.release()
        self._thread = self._new_thread()
        self._thread.start()
        return True

    def stop(self, fade_s: float, wait_s: float) -> bool:
        """Fades out, waits until the last sound is heard, and ends; False if that takes over `wait_s`, or is cut."""
        self._orders.put(partial(self._stop, fade_s))
        self._thread.join(wait_s)
        return self._ended

    # The thread.

    def _new_thread(self) -> threading.Thread:
        return threading.Thread(target=self._run, args=(self._generation,), name="engine", daemon=True)

    def _run(self, generation: int) -> None:
        keep_time(MAKES_FRAMES)
        try:
            while generation == self._generation and (self._frames_to_go is None or self._frames_to_go > 0):
                self.run_block(generation)
        except Exception:  # the watchdog notices that no more frames are written, and rebuilds the engine
            logger.exception("The engine failed")
            return
        if generation == self._generation:
            self.tallies.put(self._stage.take_tally())
            self._sink.close()
            self._ended = True

    def run_block(self, generation: int = 0) -> None:
        """Carries out the orders, then makes and writes one block. generation: that of the present thread."""
        with suppress(Empty):
            while True:
                self._orders.get_nowait()()
        began_s = self._monotonic_s()
        if began_s - self._began_s > STALL_S:
            self._come_back_softly(generation)
        self._began_s = began_s
        block = self._block(began_s)
        with self._sending:
            if generation == self._generation:  # else the engine was rebuilt while this thread hung in a graph
                self._send(block, began_s)

    def _come_back_softly(self, generation: int) -> None:
        """After an audible gap: drops the sound that the cap stage still holds from before, and fades in."""
        with self._sending:
            if generation != self._generation:
                return
            for _ in range(-(-self._stage.latency_frames // self._block_frames)):
                self._stage.process(self._silence)  # this counts the sound as sent
        self._presence = Fader(0.0)
        self._presence.move(1.0, frame_at(RETURN_FADE_S))

    def _send(self, block: NDArray[np.float64], began_s: float) -> None:
        self._stage.spare(self._log_lags(self.snapshot.frames))
        capped = self._stage.process(block)
        self._computing_s.append(self._monotonic_s() - began_s)
        busy = fsum(self._computing_s) / (seconds(self._block_frames) * len(self._computing_s))
        self._sink.write(capped)
        self._sent(self.snapshot.frames, capped.frames, began_s + self._sink.latency_s)
        self._watch_sink()
        if self._frames_to_go is not None:
            self._frames_to_go -= self._block_frames
        now, frames = self.snapshot, self.snapshot.frames + self._block_frames
        peaks = np.abs(block).max(axis=1, initial=0.0)
        self._peaks.append((float(peaks.max(initial=0.0)), float(np.abs(capped.frames).max(initial=0.0))))
        self.snapshot = replace(
            now,
            frames=frames,
            performance=self._turn.performance if self._turn else None,
            trim=self._trim.aim,
            asked_peak=max(asked for asked, _ in self._peaks),
            sent_peak=max(sent for _, sent in self._peaks),
            direct_current=float(self._direct_current(capped.frames).max(initial=0.0)),
            stuck_at=float(peaks[np.ptp(block, axis=1) == 0.0].max(initial=0.0)),
            reading=self._stage.reading() if frames % frame_at(READING_S) == 0 else now.reading,
            tone=self._tone.told,
            late_blocks=self._sink.late_blocks,
            lost=self._sink.lost,
            device_wrong=self._sink.wrong,
            losses=self._sink.losses,
            astray=self._sink.astray,
            skew=self._sink.skew,
            busy=busy,
        )
        if frames % frame_at(TALLY_S) == 0:
            self.tallies.put(self._stage.take_tally())

    def _block(self, now_s: float) -> NDArray[np.float64]:
        """The next block of the turn, under the plan and all faders; it also notes the end of the turn."""
        trim, presence = self._trim.next(self._block_frames), self._presence.next(self._block_frames)
        lowered = self._lowered.next(self._block_frames)
        turn = self._turn
        if turn is None:
            return self._tone.next(self._silence) * presence
        sound, ended = self._sound(turn, now_s)
        fade = self._fade.next(self._block_frames)
        if self._turn is not turn:  # its graph returned after the engine had been rebuilt
            return self._silence
        crossfade = self._crossfade
        if ended or (self._closing and self._fade.silent):
            self._turn = None
        if crossfade is None:
            return sound * (turn.gain * lowered * fade * trim * presence)
        both = crossfade.into(sound * (turn.gain * lowered))
        if self._turn is None or crossfade.done:
            self._crossfade = None
        return both * (fade * trim * presence)

    def _sound(self, turn: Turn, now_s: float) -> tuple[NDArray[np.float64], bool]:
        """A block of the performance, and whether it ended; after a failure of the graph the last block fades out."""
        try:
            if self._place is not None and not self._place.reached(turn.playback, self._sink.hop, now_s):
                return self._silence, False
            self._fade_into_place()
            played = turn.playback.step(self._block_frames)
            if not np.isfinite(played.outputs).all():
                raise FloatingPointError("The graph gave a value that is not a number, or is infinite")
        except Exception as error:  # nodes of an artist may raise any error, and the house continues to play
            if self._turn is not turn:
                return self._silence, True
            logger.exception("%s failed at %.1f s", turn.performance, self.snapshot.playhead_s)
            self._fail(turn.performance, f"It failed at {self.snapshot.playhead_s:.1f} s: {error}.")
            return self._farewell(), True
        if self._turn is not turn:
            return self._silence, True
        delay_s = seconds(self._stage.latency_frames) + self._sink.latency_s
        self._heard(played.span, played.signals, now_s + delay_s)
        self._last = played.outputs
        self.snapshot = replace(
            self.snapshot,
            playhead_s=seconds(played.span.stop),
            section=played.section,
            readings=played.readings,
        )
        return played.outputs, played.ended

    def _fade_into_place(self) -> None:
        """Fades in where the turn comes to its place in the middle of a performance."""
        if self._place is not None and self._place.take_joined() and not self._closing:
            self._fade = Fader(0.0)
            self._fade.move(1.0, frame_at(RETURN_FADE_S))

    def _farewell(self) -> NDArray[np.float64]:
        """The last good block, mirrored so that it continues without a step, and faded to silence."""
        return self._last[:, ::-1] * np.linspace(1.0, 0.0, self._block_frames) ** 2

    def _begin(self, turn: Turn) -> None:
        at_s = seconds(turn.playback.position)
        before = None if self._closing else self._turn
        self._crossfade = (
            None
            if before is None
            else EveningCrossfade(before.playback, before.gain * self._lowered.aim, frame_at(CROSSFADE_S))
        )
        self._turn, self._closing, self._last = turn, False, self._silence
        self._place = None if turn.first_hop is None else PlaceInStep(turn.first_hop, self._monotonic_s)
        self._tone.drop()
        self._lowered.move(1.0, 0)
        self._stage.begin_programme(planned=turn.planned, in_order=turn.in_order)
        self._fade = Fader(0.0 if at_s else 1.0)
        self._fade.move(1.0, frame_at(RETURN_FADE_S) if at_s else 0)
        self.snapshot = replace(
            self.snapshot,
            turn=turn.number,
            performance=turn.performance,
            playhead_s=at_s,
            section=None,
            readings={},
            plan_gain=turn.gain,
        )

    def _begin_tone(self, tone: NDArray[np.float64]) -> None:
        if self._turn is None:
            self._tone.begin(tone)

    def _set_trim(self, gain: float) -> None:
        """Sets the trim; in silence at once, so that the next sound begins at the right level."""
        self._trim.move(gain, 0 if self._turn is None else frame_at(TRIM_S))

    def _lower_plan(self, number: int, gain: float, further: Callable[[Playable], None]) -> None:
        if (turn := self._turn) is None or turn.number != number:
            return
        further(turn.playback)
        if 0.0 < gain < self.snapshot.plan_gain:
            self._lowered.move(gain / turn.gain, frame_at(TRIM_S))
            self.snapshot = replace(self.snapshot, plan_gain=gain)

    def _refuse(self, number: int, performance: str, why: str) -> None:
        """Counts the turn as played; the present sound fades out."""
        self._fail(performance, why)
        if self._turn is not None:
            self._fade_out(CROSSFADE_S)
        self.snapshot = replace(self.snapshot, turn=number, section=None)

    def _fail(self, performance: str, why: str) -> None:
        before = self.snapshot.failures
        times = before[performance].times + 1 if performance in before else 1
        failure = Failure(why, self._monotonic_s(), times)
        self.snapshot = replace(self.snapshot, failures={**before, performance: failure})

    def _forgive(self, performance: str) -> None:
        kept = {name: why for name, why in self.snapshot.failures.items() if name != performance}
        self.snapshot = replace(self.snapshot, failures=kept)

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
        on_the_way = self._stage.latency_frames + frame_at(self._sink.latency_s)
        self._frames_to_go = fade_frames + on_the_way + self._block_frames

    def _watch_sink(self) -> None:
        """Sends nothing while the sink is lost, so that no exposure is counted, and sound comes back with a fade-in."""
        if self._sink.lost is not None:
            self._presence.move(0.0, 0)
        elif self._sink.astray:
            if self._presence.aim:
                self._presence.move(0.0, frame_at(ASTRAY_FADE_S))
        elif self._presence.aim == 0.0:
            self._presence.move(1.0, frame_at(RETURN_FADE_S))
