"""Plays an installation with a living body, and records it."""

from __future__ import annotations

import sys
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from queue import Empty

from residue.archive.bag import Bag
from residue.archive.performance import LONGEST_S
from residue.control.feed import FeedSender
from residue.durations import place_in_words
from residue.installation.load import Installation, read_sensors
from residue.live.messages import OscReceiver
from residue.live.sensors import Sensors, check_needs
from residue.live.sound_input import LATENCY_S, NoSound, SoundInput
from residue.live.source import LiveSource
from residue.live.take import Take, check_place
from residue.loudness.stage.stage import LIVE_SLICE_FRAMES
from residue.mapping.playback import Playback, Played, Signals
from residue.mapping.signals import Span, frame_at, seconds
from residue.output.opening import routing_of, sink_opener
from residue.output.returning import ReturningSink
from residue.problems import ProblemError, stops
from residue.runtime.engine.engine import SWITCH_S, Engine, Turn
from residue.runtime.engine.lamps import lamps_of
from residue.runtime.journal.evidence import Evidence
from residue.runtime.journal.tallies import Circumstances
from residue.runtime.planning.preparation import cap_stage, sent_history, sounding_outputs
from residue.runtime.system.clock import Clock, SystemClock
from residue.runtime.system.diagnostics import Diagnostics
from residue.runtime.system.ending_signals import ending_signals, handled
from residue.runtime.system.files import occupied
from residue.runtime.system.garbage import spare_what_is_there
from residue.watchdog.deadman import Deadman

BUFFER_S = 0.01
"""The buffer of the output device: enough for what a quiet computer is late now and then."""
LOOK_S = 0.1
LINE_S = 5.0
CUT_FADE_S = 1.0
STOP_S = 5.0


class LivePlayback(Playback):
    """The graph with live input: each step waits for its data."""

    def __init__(self, installation: Installation, source: LiveSource) -> None:
        super().__init__(installation.graph, source, frame_at(LONGEST_S), str(installation.folder))
        self._source = source
        self._closing = threading.Event()

    def close(self) -> None:
        """Ends with the closing fade, like a recording; any thread may call it."""
        self._closing.set()

    def step(self, frames: int) -> Played:
        """Plays the next frames and records them."""
        if self._closing.is_set():
            self.end_at(self._source.end(self.position, self._fade_frames))
        self._source.receive(self.position + frames)
        played = super().step(frames)
        if played.ended:
            self._source.finish(self.position)
        return played


@dataclass(frozen=True)
class Recorded:
    """The result of a recording. failure: the reason why the graph ended too early."""

    bag: Bag
    duration_s: float
    failure: str | None
    trouble: str | None
    """The reason why not everything was recorded."""
    never_heard: Sequence[str]
    """The channels from which nothing arrived, with the place that each comes from."""


class Recording:
    """One evening: sensors in, sound out through the cap, and a bag.

    sound: the sound input; None where sensors.toml names none. Raises ProblemError where something is missing.
    """

    def __init__(
        self,
        installation: Installation,
        sensors: Sensors,
        into: Path,
        *,
        sound: SoundInput | None,
        sink: ReturningSink,
        state: Path,
        clock: Clock,
    ) -> None:
        self._title, self._into, self._sink = sensors.title, into, sink
        self._evidence = Evidence(state, clock)
        history = sent_history(installation, self._evidence.log, clock.now())
        self._stage = cap_stage(installation, history, LIVE_SLICE_FRAMES)
        self._listener = OscReceiver(sensors.osc, [one.address for one in sensors.channel.values() if one.address])
        self._sound: SoundInput = sound or NoSound()
        self._take = Take(into, sensors, sensors.performance(clock.now()))
        self._source = LiveSource(sensors, installation.graph.needs, self._sound, self._listener, self._take)
        self.playback = LivePlayback(installation, self._source)
        self._feed = FeedSender(installation.graph.feeds, installation.room.control.feed)
        self.light = lamps_of(installation, self._evidence.happened)
        self.engine = Engine(
            self._stage,
            sink,
            len(installation.piece.outputs),
            self._heard,
            log_lags=self._evidence.lags,
            block_frames=LIVE_SLICE_FRAMES,
        )
        self._over = 0

    @property
    def delay_s(self) -> float:
        """The time from the body to the ear: conversion, a block, the cap, and the buffers of the devices."""
        frames = self._source.look_ahead_frames + LIVE_SLICE_FRAMES + self._stage.latency_frames
        return seconds(frames) + LATENCY_S + self._sink.latency_s

    def end(self) -> None:
        """Ends with a fade; after a second request, within a second."""
        self._over += 1
        if self._over == 1:
            self.playback.close()
        else:
            self.engine.fade_out(CUT_FADE_S)

    def run(self, on: date, shown: Callable[[str], None]) -> Recorded:
        """Plays to the end and seals the bag; `shown` is called from time to time with the state."""
        with self._evidence.kept(f"Recording {self._title}.", f"Recorded {self._title}."):
            self._play(shown)
        self._sound.close()
        self._listener.close()
        source = self._source
        failure = self.engine.snapshot.failures.get(self._title)
        bag = self._take.seal(source.frames, source.gaps, source.lengths, on)
        return Recorded(
            bag, seconds(source.frames), failure.why if failure else None, self._take.trouble, source.never_heard
        )

    def _play(self, shown: Callable[[str], None]) -> None:
        deadman = Deadman(lambda: self.engine.snapshot.frames)
        spare_what_is_there()  # a slice is 5 ms
        self._feed.start()
        self.light.start()
        # It begins with the first block of the cap stage, so that even the silence has the bits of a render.
        self.engine.begin(Turn(1, self._title, self.playback, 1.0, planned=False))
        self.engine.start()
        deadman.start()
        try:
            while not (self.engine.snapshot.turn == 1 and self.engine.snapshot.performance is None):
                self.light.permit(plays=True)
                time.sleep(LOOK_S)
                self._log_tallies()
                shown(self._line())
        finally:
            deadman.stop()
            self.light.darken()
            ended = self.engine.stop(CUT_FADE_S, STOP_S)
            self.light.end()
            self._log_tallies()
            if not ended:
                self._evidence.cut("The engine did not end.")

    def _heard(self, span: Span, signals: Signals, heard_at_s: float) -> None:
        self._feed.heard(span, signals, heard_at_s)
        self.light.heard(span, signals, heard_at_s)

    def _line(self) -> str:
        now = self.engine.snapshot
        gaps = sum(map(len, self._source.gaps.values()))
        silent = f"nothing arrives from {', '.join(self._source.silent)}; " if self._source.silent else ""
        at = place_in_words(now.playhead_s)
        dark = f", {self.light.alarm}" if self.light.alarm else ""
        return f"recording {self._title} {at}, {silent}{now.section or 'no section'}, {gaps} gaps{dark}"

    def _log_tallies(self) -> None:
        with suppress(Empty):
            while True:
                tally, now = self.engine.tallies.get_nowait(), self.engine.snapshot
                self._evidence.sent(
                    tally,
                    Circumstances(
                        house="playing",
                        performance=self._into.name,
                        playhead_s=now.playhead_s,
                        plan_gain_db=None,
                        trim_db=0.0,
                    ),
                )


def record(installation: Installation, into: Path, *, device: str | None, for_s: float | None, state: Path) -> Recorded:
    """Plays and records until the form ends, a signal comes, or `for_s` is over, each with the closing fade.

    device: that of the output sound, as for the daemon. Raises ProblemError where it cannot start.
    """
    sys.setswitchinterval(SWITCH_S)
    check_place(into)
    sensors, findings = read_sensors(installation.folder)
    if sensors is not None:
        findings = [*findings, *check_needs(sensors, installation.graph.needs)]
    if sensors is None or stops(findings):
        raise ProblemError(findings)
    clock, outputs = SystemClock(), sounding_outputs(installation)
    given = device or installation.room.device
    block_s = seconds(LIVE_SLICE_FRAMES)
    folder = Path() if device else state
    open_sink = sink_opener(given, routing_of(outputs), folder, buffer_s=BUFFER_S, block_s=block_s)
    with Diagnostics() as diagnostics, occupied(state):
        evening = Recording(
            installation,
            sensors,
            into,
            sound=_sound_input(sensors),
            sink=ReturningSink(open_sink, breath_s=block_s / 2),
            state=state,
            clock=clock,
        )
        diagnostics.show(f"heard {1000 * evening.delay_s:.0f} ms after it happens; end with Ctrl-C")
        with _ending_on_signals(evening, for_s):
            return evening.run(
                clock.now().date(), diagnostics.show if diagnostics.terminal else _seldom(diagnostics.show)
            )


def _sound_input(sensors: Sensors) -> SoundInput | None:
    inputs = [sensor.input for sensor in sensors.inputs.values() if sensor.input is not None]
    if sensors.device is None or not inputs:
        return None
    # Only a sound input needs PortAudio.
    from residue.live.device_input import open_input

    return open_input(sensors.device, max(inputs))


@contextmanager
def _ending_on_signals(evening: Recording, for_s: float | None) -> Iterator[None]:
    timer = threading.Timer(for_s, evening.end) if for_s is not None else None
    if timer:
        timer.daemon = True
        timer.start()
    try:
        with handled(ending_signals(), lambda *_: evening.end()):
            yield
    finally:
        if timer:
            timer.cancel()


def _seldom(shown: Callable[[str], None]) -> Callable[[str], None]:
    """Shows few lines: without a terminal, a line from time to time is enough."""
    due_s = time.monotonic()

    def show(line: str) -> None:
        nonlocal due_s
        if time.monotonic() >= due_s:
            due_s += LINE_S
            shown(line)

    return show
