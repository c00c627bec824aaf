"""A tiny installation that is played live: an arm by sound, a brain and a heart by messages."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, date, datetime
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from residue.archive.bag import Bag
from residue.archive.prepared import PreparedPerformance, prepare
from residue.installation.load import Installation, load, read_sensors
from residue.live.messages import Arrival
from residue.live.sensors import Sensors
from residue.live.source import LiveSource
from residue.live.take import Take
from residue.mapping.signals import AUDIO_RATE_HZ
from residue.runtime.offline.recording import LivePlayback
from residue.runtime.planning.preparation import playback_of, steps
from tests.live.fakes import Clock, FakeArrivals, FakeSound
from tests.runtime.kitchen import HOURS, ROOM

TODAY = date(2026, 3, 1)
Floats = NDArray[np.float64]

PIECE = """
title = "Proof of the Dough"
outputs = ["left", "right"]
closing_fade_s = {fade_s}

[node.arm]
kind = "channel"
channel = "forearm"

[node.air]
kind = "channel"
channel = "forearm"
rate = "fast"

[node.strain]
kind = "envelope"
input = "arm"

[node.voice]
kind = "muscle_voice"
input = "arm"
grain_s = 0.05

[node.alpha]
kind = "channel"
channel = "o1"

[node.hum]
kind = "sound"
input = "alpha"

[node.beat]
kind = "channel"
channel = "chest"
rate = "events"

[node.knock]
kind = "strike"
input = "beat"

[node.rate]
kind = "heart_rate"
input = "beat"

[node.all]
kind = "mix"
input = ["voice", "air", "hum", "knock"]
gains_db = [-6, -12, -30, -6]

[node.swept]
kind = "lowpass"
input = "all"
cutoff_hz = {{ from = "rate", at = [40, 120], gives = [400, 4000] }}

[node.out]
kind = "output"
input = "swept"
to = ["left", "right"]

[[section]]
name = "kneading"
ends = {{ signal = "strain", above = 0.8, for_s = 0.1 }}
at_most_s = 3000
"""

SENSORS = """
title = "An evening"
performer = "N. N."
device = "pulse"

[osc]
port = {port}

[channel.forearm]
kind = "mmg"
site = "left forearm"
unit = "g"
full_scale = 2.5
input = 2

[channel.o1]
kind = "eeg"
site = "O1"
unit = "uV"
address = "/brain/o1"
rate_hz = 250

[channel.chest]
kind = "rr"
unit = "ms"
address = "/heart/beat"
"""


def installation(folder: Path, port: int = 47_345, fade_s: float = 0.5) -> Path:
    """Its folder."""
    made = folder / "proof"
    made.mkdir()
    (made / "piece.toml").write_text(PIECE.format(fade_s=fade_s), encoding="utf-8")
    (made / "room.toml").write_text(ROOM.format(port=port - 1), encoding="utf-8")
    hours = HOURS.partition("[programme]")[0] + '[programme]\nperformances = ["evening"]\n'
    (made / "hours.toml").write_text(hours, encoding="utf-8")
    (made / "sensors.toml").write_text(SENSORS.format(port=port), encoding="utf-8")
    (made / "performances" / "evening").mkdir(parents=True)
    return made


def arm(seconds: float, strain_from_s: float = 1e9) -> NDArray[np.float32]:
    """Two inputs; the second is a muscle that strains from a time on."""
    at_s = np.arange(round(seconds * AUDIO_RATE_HZ)) / AUDIO_RATE_HZ
    noise = np.random.default_rng(11).normal(0.0, 0.05, (2, len(at_s)))
    noise[1] += np.where(at_s >= strain_from_s, 0.9, 0.1) * np.sin(2 * np.pi * 25.0 * at_s)
    return noise.astype(np.float32)


def brain(seconds: float, rate_hz: float = 250.0) -> Iterable[Arrival]:
    """Packets of ten samples that come unevenly."""
    random = np.random.default_rng(12)
    for packet in range(round(seconds * rate_hz / 10)):
        due_s = (packet + 1) * 10 / rate_hz
        numbers = 40.0 * np.sin(2 * np.pi * 10.0 / rate_hz * (10 * packet + np.arange(10)))
        yield Arrival("/brain/o1", tuple(numbers.tolist()), due_s + random.uniform(0.0, 0.03))


def heart(seconds: float) -> Iterable[Arrival]:
    """Beats at about 75 a minute, each with its interval in ms."""
    random, at_s = np.random.default_rng(13), 0.3
    while at_s < seconds:
        interval_s = 0.8 + random.normal(0.0, 0.03)
        at_s += interval_s
        yield Arrival("/heart/beat", (interval_s * 1000.0,), at_s)


@dataclass
class Evening:
    """What was heard, before the cap, and the bag of it."""

    installation: Installation
    heard: Floats
    bag: Bag

    def prepared(self, cache: Path) -> PreparedPerformance:
        return prepare(self.bag.path, self.installation.graph.needs, cache)

    def replayed(self, cache: Path) -> Floats:
        playback = playback_of(self.installation, self.prepared(cache))
        return np.concatenate([played.outputs for played in steps(playback, 7_777)], axis=1)


def sensors_of(folder: Path) -> Sensors:
    sensors, findings = read_sensors(folder)
    assert sensors is not None, findings
    return sensors


def play(
    folder: Path,
    sound: NDArray[np.float32],
    arrivals: Iterable[Arrival],
    *,
    block: int = 4_800,
    close_after_s: float | None = None,
    cut_after_s: float | None = None,
) -> Evening:
    """An evening on the stage: to its end, to the closing that a person asks for, or cut."""
    loaded, sensors, clock = load(folder), sensors_of(folder), Clock()
    into = folder / "performances" / "live"
    take = Take(into, sensors, sensors.performance(datetime(2026, 3, 1, 20, tzinfo=UTC)))
    coming = FakeArrivals(clock, sorted(arrivals, key=lambda one: one.at_s))
    source = LiveSource(sensors, loaded.graph.needs, FakeSound(sound, clock), coming, take, clock.monotonic_s)
    playback, heard = LivePlayback(loaded, source), []
    while True:
        played = playback.step(block)
        heard.append(played.outputs)
        at_s = played.span.stop / AUDIO_RATE_HZ
        if close_after_s is not None and at_s >= close_after_s:
            playback.close()
        if played.ended or (cut_after_s is not None and at_s >= cut_after_s):
            break
    bag = take.seal(source.frames, source.gaps, source.lengths, TODAY)
    return Evening(loaded, np.concatenate(heard, axis=1), bag)
