"""Plays one calibration step after the other, through a cap stage, like every other sound."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from math import ceil
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from residue.dsp.exact import gain_from_db
from residue.loudness.calibration.calibration_signals import Stimulus
from residue.loudness.caps.caps import Cap
from residue.loudness.meters.hops import HOP_FRAMES, HOP_S
from residue.loudness.meters.levels import db_of_power
from residue.loudness.outputs.outputs import Output
from residue.loudness.stage.history import LogLag
from residue.loudness.stage.protection import Conditioner
from residue.loudness.stage.readings import Tally
from residue.loudness.stage.stage import LATENCY_FRAMES, CapStage
from residue.mapping.signals import frame_at
from residue.output.returning import ReturningSink
from residue.runtime.engine.fader import Fader
from residue.runtime.journal.tallies import TALLY_S

Floats = NDArray[np.float64]

FADE_S = 0.5
_DRAIN_HOPS = ceil(LATENCY_FRAMES / HOP_FRAMES) + 1
_SETTLE_HOPS = ceil(FADE_S / HOP_S) + _DRAIN_HOPS
_TALLY_HOPS = round(TALLY_S / HOP_S)
_LEAST_ACTION_DB = -0.05
_STOPPING_S = 10.0
_NOT_WRITTEN = "The level log cannot be written, so every level stays 3 to 10 dB below the caps. Make room on the disk."


class Sounding(Protocol):
    """What is played: on which outputs, how loud, and the room and the caps of the stage that it goes through."""

    @property
    def room(self) -> Mapping[str, Output]:
        """All outputs."""

    @property
    def caps(self) -> tuple[Cap, ...]:
        """Kept whatever is played."""

    @property
    def playing(self) -> Mapping[str, tuple[Stimulus, float]]:
        """By output: what plays, and its level in dBFS."""


class CalibrationPlayer:
    """Plays silence until a step is given; a new step waits until the one before has faded out of its cap stage.

    `play` and `hush` may be called while another thread writes. sent: called every second, by that thread, with the
    levels sent (an output without a reading counts as louder than any real one); it must not make it wait. log_lags:
    LogWriter.lags.
    """

    def __init__(
        self,
        sink: ReturningSink,
        outputs: Mapping[str, Output],
        sent: Callable[[Tally], None],
        log_lags: Callable[[int], LogLag] = lambda frames: LogLag.NONE,
    ) -> None:
        self._sink, self._sent, self._log_lags = sink, sent, log_lags
        self._silence = np.zeros((len(outputs), HOP_FRAMES))
        self._idle = CapStage(outputs, ())
        self._wanted: _Playing | None = None
        self._playing: _Playing | None = None
        self._resumed: Sounding | None = None
        self._frames = 0
        """The frames of all steps, as the log counts them: a tally tells of a whole second."""
        self._asking = threading.Lock()
        """Held while the wanted step changes: a return after a loss must not play a step that was hushed meanwhile."""

    def play(self, step: Sounding) -> None:
        """Plays this step from now on, with its room and its caps."""
        wanted = _Playing(step)
        with self._asking:
            self._wanted, self._resumed = wanted, None

    def hush(self) -> None:
        """Fades the test signal out."""
        with self._asking:
            self._wanted = self._resumed = None

    @property
    def silent(self) -> bool:
        """Whether all sound has left its cap stage."""
        return self._wanted is None and self._playing is None

    def trouble(self) -> str | None:
        """The reason why a meter now reads another sound than the one asked for; None if there is none."""
        if self._sink.lost is not None:
            return self._sink.lost
        playing, wanted = self._playing, self._wanted
        if wanted is None:
            return None
        if playing is not wanted or playing.hops < _SETTLE_HOPS:
            return "The sound has only just begun."
        if not playing.held_down:
            return None
        return _NOT_WRITTEN if self._log_lags(self._frames) else "A cap or the limiter holds this level down."

    def write_hop(self) -> None:
        """Writes a tenth of a second; blocks as long as the sink does. The sound begins again after a loss."""
        with self._asking:
            if self._sink.lost is not None:
                if (wanted := self._wanted) is not None:
                    self._wanted, self._resumed = None, wanted.step
            elif self._resumed is not None:
                self._wanted, self._resumed = _Playing(self._resumed), None
        if self._playing is None or self._playing.over:
            self._playing = self._wanted
            if self._playing is not None:
                self._sent(self._playing.stage.take_tally())  # of nothing: the log tells its limits first
        playing = self._playing
        if playing is None:
            self._sink.write(self._idle.process(self._silence))
            return
        if playing is not self._wanted:
            playing.fade_out()
        playing.stage.spare(self._log_lags(self._frames))
        self._sink.write(playing.stage.process(playing.next_hop(self._silence)))
        playing.look()
        self._frames += HOP_FRAMES
        if playing.over or playing.hops % _TALLY_HOPS == 0:
            self._frames += -self._frames % (_TALLY_HOPS * HOP_FRAMES)
            self._sent(playing.stage.take_tally())


class _Playing:
    """One step on its way through a cap stage of its own."""

    def __init__(self, step: Sounding) -> None:
        self.step = step
        self.stage = CapStage(step.room, step.caps)
        numbers = {name: number for number, name in enumerate(step.room)}
        self._loops = {
            numbers[name]: stimulus.loop * gain_from_db(played_dbfs - _loss_db(name, step.room[name], stimulus))
            for name, (stimulus, played_dbfs) in step.playing.items()
        }
        self._fade = Fader(0.0)
        self._fade.move(1.0, frame_at(FADE_S))
        self._drained_hops = 0
        self.hops = 0
        self.held_down = False

    @property
    def over(self) -> bool:
        """The step has faded out, and its stage is empty."""
        return self._drained_hops >= _DRAIN_HOPS

    def fade_out(self) -> None:
        if self._fade.aim > 0.0:
            self._fade.move(0.0, frame_at(FADE_S))

    def next_hop(self, silence: Floats) -> Floats:
        """(outputs, HOP_FRAMES): each loop on its output."""
        hop = silence.copy()
        at = np.arange(self.hops * HOP_FRAMES, (self.hops + 1) * HOP_FRAMES)
        faded = self._fade.next(HOP_FRAMES)
        for number, loop in self._loops.items():
            hop[number] = np.take(loop, at, mode="wrap") * faded
        self._drained_hops += self._fade.silent
        self.hops += 1
        return hop

    def look(self) -> None:
        """Remembers whether anything but the step decides the level."""
        if self.hops >= _SETTLE_HOPS:
            reading = self.stage.reading()
            self.held_down |= min(reading.governor_db, reading.limiter_db) < _LEAST_ACTION_DB


def _loss_db(name: str, output: Output, stimulus: Stimulus) -> float:
    """The level that the output's protecting high-pass takes from the stimulus: at most 0 dB."""
    loop = stimulus.loop
    passed = Conditioner({name: output})(np.concatenate([loop, loop])[np.newaxis])[0, len(loop) :]
    return db_of_power(float(np.mean(passed * passed)) / float(np.mean(loop * loop)))


@contextmanager
def running(player: CalibrationPlayer, sink: ReturningSink, cut: Callable[[str], None]) -> Iterator[None]:
    """Within the context the player writes in a thread of its own; at the end, for any reason, it fades out first.

    cut: called with the reason if the player is interrupted.
    """
    ending, ended = threading.Event(), threading.Event()

    def write() -> None:
        while not (ending.is_set() and player.silent):
            player.write_hop()
        for _ in range(ceil(sink.latency_s / HOP_S)):
            player.write_hop()
        ended.set()

    thread = threading.Thread(target=write, name="calibration", daemon=True)
    thread.start()
    try:
        yield
    finally:
        player.hush()
        ending.set()
        thread.join(_STOPPING_S)
        if not ended.is_set():
            cut("The sound did not fade out to its end.")
        sink.close()
