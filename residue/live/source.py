"""A live performance as a source of the mapping graph."""

from __future__ import annotations

import logging
import math
import time
from collections.abc import Callable, Mapping, Sequence, Set
from fractions import Fraction
from typing import Protocol, cast

import numpy as np

from residue.archive.recorded import FastRecording, SlowRecording
from residue.live.arrivals import CUSHION_S, BeatQueue, SampleQueue
from residue.live.bridge import Bridge
from residue.live.messages import Arrival
from residue.live.sensors import SOUND_FILE, Sensors, rate_hz_of
from residue.live.sound_input import InputFrames, SoundInput
from residue.live.take import Gaps, Take
from residue.live.tracks import GrowingSamples, GrowingTrack, look_ahead_frames
from residue.mapping.node import Reader
from residue.mapping.signals import AUDIO_RATE_HZ, FRAMES_PER_TICK, Kind, frame_at

logger = logging.getLogger(__name__)

SILENT_S = 3.0
"""A sensor that has sent nothing for so long is named; a heart at rest sends a beat at least every 2 s."""


class Arrivals(Protocol):
    """Gives the messages that have arrived."""

    def take(self) -> Sequence[Arrival]:
        """The messages since the last call, in order."""


class LiveSource:
    """Takes the data of the sensors, gives them to the graph, and passes them on to be recorded.

    Time is counted in frames of the sound input, from its first one; the graph is later by look_ahead_frames. needs:
    the channels that the piece reads, with their kinds; the others are recorded as well.
    """

    def __init__(
        self,
        sensors: Sensors,
        needs: Mapping[str, Set[Kind]],
        sound: SoundInput,
        arrivals: Arrivals,
        take: Take,
        monotonic_s: Callable[[], float] = time.monotonic,
    ) -> None:
        self._sensors, self._sound, self._arrivals, self._take = sensors, sound, arrivals, take
        self._monotonic_s = monotonic_s
        sampled = {name: sensor for name, sensor in sensors.channel.items() if not sensor.beats}
        self._tracks = {name: GrowingTrack(rate_hz_of(one), one.full_scale) for name, one in sampled.items()}
        self._bridges = {name: Bridge(rate_hz_of(one)) for name, one in sampled.items()}
        by_address = {name: sensor for name, sensor in sensors.channel.items() if sensor.address is not None}
        self._names = {str(sensor.address): name for name, sensor in by_address.items()}
        self._samples = {
            name: SampleQueue(name, rate_hz_of(one), one.cushion_s or CUSHION_S)
            for name, one in by_address.items()
            if not one.beats
        }
        self._beats = {name: BeatQueue(one) for name, one in by_address.items() if one.beats}
        self.look_ahead_frames = max(
            [
                look_ahead_frames(rate_hz_of(sampled[name]), kind)
                for name in needs
                if name in sampled
                for kind in needs[name]
            ],
            default=0,
        )
        # The performance ends where each channel has a whole sample, so that all channels have its length.
        self._whole = math.lcm(
            FRAMES_PER_TICK, *(AUDIO_RATE_HZ // math.gcd(AUDIO_RATE_HZ, rate_hz_of(one)) for one in sampled.values())
        )
        self.received = 0
        self._ends: int | None = None
        self._told: set[str] = set()
        self._heard: dict[str, int] = {}

    def channel(self, name: str, kind: Kind) -> Reader:
        """The channel as the kind of signal asked for."""
        if kind is Kind.EVENTS:
            return self._beats[name]
        samples = GrowingSamples(self._tracks[name], kind)
        return SlowRecording(samples) if kind is Kind.SLOW else FastRecording(samples)

    def receive(self, frame: int) -> None:
        """Waits until all data that the graph needs up to a frame are there, or until the end."""
        until = frame + self.look_ahead_frames
        until = until if self._ends is None else min(until, self._ends)
        if until > self.received:
            self._receive(until - self.received)

    def end(self, frame: int, fade_frames: int) -> int:
        """Ends the performance with a fade as soon as possible; gives the frame of the end.

        frame: the position of the graph; the fade is after it.
        """
        if self._ends is None:
            self._end_at(max(self.received, frame + fade_frames))
        return cast(int, self._ends)

    def finish(self, frame: int) -> None:
        """Notes that the graph has ended at a frame; records what a replay up to there needs, and no more."""
        if self._ends is None:
            ends = self._end_at(max(self.received, frame))
            if ends > self.received:
                self._receive(ends - self.received)

    @property
    def frames(self) -> int:
        """The length of the performance, in frames."""
        return self.received if self._ends is None else min(self._ends, self.received)

    @property
    def gaps(self) -> Gaps:
        """The gaps in the recorded stretch."""
        lengths = self.lengths
        files = {name: self._sensors.file_of(name) for name in self._bridges}
        return {
            name: [
                (start, min(stop, lengths[files[name]])) for start, stop in bridge.gaps if start < lengths[files[name]]
            ]
            for name, bridge in self._bridges.items()
        }

    @property
    def lengths(self) -> Mapping[str, int]:
        """The recorded length of each file, in its own frames."""
        lengths = {
            self._sensors.file_of(name): _samples_by(self.frames, self._tracks[name].rate_hz) for name in self._samples
        }
        return {**lengths, SOUND_FILE: self.frames}

    @property
    def silent(self) -> Sequence[str]:
        """The channels from which nothing has arrived for SILENT_S, with the place that each comes from."""
        since = self.received - frame_at(SILENT_S)
        return [self._place(name) for name in self._sensors.channel if self._heard.get(name, 0) < since]

    @property
    def never_heard(self) -> Sequence[str]:
        """The channels from which nothing arrived at all, with the place that each comes from."""
        return [self._place(name) for name in self._sensors.channel if name not in self._heard]

    def _place(self, name: str) -> str:
        sensor = self._sensors.channel[name]
        return f"{name} ({sensor.address or f'input {sensor.input}'})"

    def _end_at(self, frame: int) -> int:
        self._ends = -(-frame // self._whole) * self._whole
        for track in self._tracks.values():
            track.end_at(_samples_by(self._ends, track.rate_hz))
        return self._ends

    def _receive(self, frames: int) -> None:
        before = self.received
        heard = self._sound.read(frames)
        self.received += frames
        self._hear(heard)
        now_s = self._monotonic_s()
        for arrival in self._arrivals.take():
            name = self._names[arrival.address]
            self._heard[name] = self.received
            if name in self._samples:
                self._samples[name].put(arrival.numbers)
                continue
            frame = self.received - frame_at(max(0.0, now_s - arrival.at_s))
            # Never before the frames that the graph has received already.
            beat = self._beats[name].put(max(frame, before - self.look_ahead_frames, 0), arrival.numbers)
            self._take.beat(name, beat)
        for name, queue in self._samples.items():
            due = _samples_by(self.received, self._tracks[name].rate_hz) - self._tracks[name].received
            bridged = self._bridges[name](queue.take(due))
            self._tracks[name].append(bridged)
            self._take.samples(name, bridged)
            self._tell(name, queue.wrong_rate)

    def _hear(self, heard: InputFrames) -> None:
        names = list(self._sensors.inputs)
        if not names:
            return
        inputs = {name: heard[(self._sensors.channel[name].input or 1) - 1] for name in names}
        for name, samples in inputs.items():
            if np.ptp(samples) > 0.0:  # what stands still comes from no sensor; NaN is never above
                self._heard[name] = self.received
        rows = [self._bridges[name](inputs[name]) for name in names]
        for name, row in zip(names, rows, strict=True):
            self._tracks[name].append(row)
        self._take.sound(np.stack(rows))

    def _tell(self, name: str, words: str | None) -> None:
        if words is not None and name not in self._told:
            self._told.add(name)
            logger.warning("%s: correct rate_hz in sensors.toml.", words)


def _samples_by(frame: int, rate_hz: Fraction) -> int:
    """The number of samples before a frame."""
    return int(frame * rate_hz / AUDIO_RATE_HZ)
