from __future__ import annotations

import math
import time
from collections.abc import Callable

import numpy as np
import pytest

from residue.dsp.retiming import ONE
from residue.loudness.meters.hops import HOP_FRAMES, HOPS_A_SECOND
from residue.loudness.stage.capped import Capped, Seal
from residue.output.heard_line import BEGINS_S
from residue.output.in_step import ASTRAY_S, LEAVE_HOPS, SEEK_HOPS, InStepSink, hop_at, wall_clock_set_s
from residue.output.routing import Routing
from residue.output.servo import Servo
from tests.output.simulated_device import RATE_HZ, SimulatedDevice

BLOCK = Capped(np.zeros((1, HOP_FRAMES)), Seal())
FALLING_IN = SEEK_HOPS + round(BEGINS_S * HOPS_A_SECOND) + 5
"""The hops until a room is in step: the device begins, its buffer is filled at once, and readings are taken."""


class Counted:
    """A retimer without sound: the frames are counted exactly, and hours take seconds."""

    def __init__(self, channels: int) -> None:
        self._channels, self._left = channels, 0.0

    @property
    def pending_frames(self) -> float:
        return self._left

    def __call__(self, frames: np.ndarray, speed: int) -> np.ndarray:
        ready = self._left + frames.shape[1] * ONE / speed
        self._left = ready - math.floor(ready)
        return np.zeros((self._channels, math.floor(ready)))


class Room:
    """A sink that keeps step, on a simulated device."""

    def __init__(
        self, device: SimulatedDevice, servo: Servo | None = None, behind_s: float = 0.0, *, sound: bool = False
    ) -> None:
        self.device = device
        self.sink = InStepSink(device, Routing((1,)), servo or Servo(), behind_s, device.set_s)
        if not sound:
            self.sink._retimer = Counted(1)  # type: ignore[assignment]
        self.late_s: list[float] = []
        """How late the sound truly was, hop by hop, where the sink said that it was in step."""

    def play(self, seconds: float) -> None:
        for _ in range(round(seconds * HOPS_A_SECOND)):
            if (hop := self.sink.hop) is not None:
                heard_s = self.device.heard_wall_s + self.sink._retimer.pending_frames / RATE_HZ
                self.late_s.append(heard_s - hop / HOPS_A_SECOND)
            self.sink.write(BLOCK)


def true(moment_s: float) -> float:
    return moment_s


def wandering(ppm: float) -> Callable[[float], float]:
    """A crystal that follows the temperature of the room, by 2 ppm over some 20 minutes. Common practice, no source."""
    return lambda moment_s: ppm + 2.0 * math.sin(moment_s / 200.0)


@pytest.mark.parametrize(
    ("ppm", "period", "seconds"),
    [
        pytest.param(-80.0, 1_024, 420.0, marks=pytest.mark.long),
        pytest.param(0.0, 4_800, 420.0, marks=pytest.mark.long),
        (55.0, 256, 420.0),
        pytest.param(-80.0, 1_024, 3_600.0, marks=pytest.mark.long),
        pytest.param(55.0, 1_024, 3_600.0, marks=pytest.mark.long),
    ],
)
def test_it_stays_within_a_millisecond_of_the_clock(ppm: float, period: int, seconds: float) -> None:
    room = Room(SimulatedDevice(wandering(ppm), true, period=period))
    room.play(seconds)
    late_ms = np.array(room.late_s) * 1e3
    assert len(late_ms) >= seconds * HOPS_A_SECOND - FALLING_IN, "in step from the first seconds on"
    assert np.abs(late_ms).max() < 1.0
    assert np.abs(late_ms[3_000:]).max() < 0.25
    assert room.sink.skew is not None
    assert room.sink.skew.faster_ppm == pytest.approx(-ppm, abs=8.0), "a device that is fast is fed more slowly"


@pytest.mark.long
def test_an_hour_behind_a_sound_server() -> None:
    """It takes pieces of 959 frames, as PulseAudio's null sink did here: a reading may be 20 ms late for 20 s."""
    room = Room(SimulatedDevice(wandering(-46.0), true, period=4_800, piece=959))
    room.play(3_600.0)
    late_ms = np.array(room.late_s) * 1e3
    assert np.ptp(late_ms[3_000:]) < 1.0
    assert len(late_ms) >= 36_000 - 600, "what is not known yet in the first minute costs a few fades"


def test_two_rooms_are_in_step_whatever_their_crystals() -> None:
    """On the same hop both are heard at the same true time, though one began half an hour after the other."""
    one = Room(SimulatedDevice(wandering(-60.0), true, seed=2))
    other = Room(SimulatedDevice(wandering(75.0), true, period=2_048, seed=3, true_s=1_001_800.0123))
    one.play(600.0)
    other.play(420.0)
    apart_s = np.array(one.late_s[-2_000:]) - np.array(other.late_s[-2_000:])
    assert np.abs(apart_s).max() < 0.0005


def test_after_a_gap_it_falls_silent_and_in_again() -> None:
    room = Room(SimulatedDevice(wandering(30.0), true))
    room.play(60.0)
    before = room.sink.hop
    assert before is not None
    room.device.wait(0.7)  # longer than the buffer: everything is late from here on
    hops = []
    for _ in range(100):
        room.play(0.1)
        hops.append(room.sink.hop)
    assert hops.count(None) >= LEAVE_HOPS + SEEK_HOPS, "what a device tells while it begins again counts as little"
    after = room.sink.hop
    assert after is not None
    room.late_s.clear()
    room.play(300.0)
    assert np.abs(room.late_s).max() < 0.001
    assert after > before + 100, "the clock has gone on, and the room has missed some hops"


@pytest.mark.parametrize("still_s", [0.008, 0.02, 0.045, 0.3])
def test_a_device_that_stood_still_unsaid_is_not_late_for_a_second(still_s: float) -> None:
    """Behind a server whose card ran dry, a room was 20 ms late for up to 100 s, in step as it thought."""
    room = Room(SimulatedDevice(wandering(30.0), true, period=480))
    room.play(60.0)
    room.device.stand_still(still_s)
    room.late_s.clear()
    room.play(60.0)
    late = [late_s for late_s in room.late_s if abs(late_s) > 0.002]
    assert 1 <= len(late) <= 10
    assert len(room.late_s) > 500, "it falls in again"


def test_after_a_gap_what_a_writer_still_sends_is_silent_after_a_hop() -> None:
    """Faded in a straight line: the one ending that the cap stage allows at any time (loudness/stage/ending.py)."""
    device = SimulatedDevice(wandering(20.0), true, period=480)
    room, played = Room(device, sound=True), []
    plays = device.play

    def kept(frames: np.ndarray) -> object:
        played.append(frames[:, 0].copy())
        return plays(frames)

    device.play = kept  # type: ignore[method-assign, assignment]
    room.play(30.0)
    device.wait(0.7)  # longer than the buffer
    played.clear()
    for _ in range(40):
        room.sink.write(Capped(np.ones((1, HOP_FRAMES)), Seal()))
    heard = np.concatenate(played)[HOP_FRAMES:]  # but for the hop at which it is noticed
    assert np.count_nonzero(heard) <= 1.01 * HOP_FRAMES
    assert np.abs(np.diff(heard)).max() < 2.0 / HOP_FRAMES
    for _ in range(60):
        room.sink.write(Capped(np.ones((1, HOP_FRAMES)), Seal()))
    assert np.concatenate(played)[-HOP_FRAMES:].min() > 0.99, "once it has fallen in, all of it"


@pytest.mark.parametrize("step_s", [-2.0, 0.05, 3_600.0])
def test_a_step_of_the_clock_is_followed(step_s: float) -> None:
    room = Room(SimulatedDevice(wandering(10.0), lambda moment_s: moment_s + (step_s if moment_s > 1_000_030.0 else 0)))
    room.play(45.0)
    room.late_s.clear()
    room.play(60.0)
    assert room.sink.hop is not None
    assert len(room.late_s) > 500
    assert np.abs(room.late_s).max() < 0.001


def test_a_slow_correction_of_the_clock_is_followed_without_silence() -> None:
    """A clock that is led back by 3 ms at 20 ppm, as a time service does."""
    room = Room(
        SimulatedDevice(wandering(0.0), lambda moment_s: moment_s + min(0.003, max(0.0, moment_s - 1_000_100) * 2e-5))
    )
    room.play(600.0)
    assert len(room.late_s) >= 6_000 - FALLING_IN
    assert np.abs(room.late_s).max() < 0.001


def test_the_equipment_behind_the_device_is_allowed_for() -> None:
    room = Room(SimulatedDevice(wandering(0.0), true), behind_s=0.030)
    room.play(60.0)
    assert np.mean(room.late_s) == pytest.approx(-0.030, abs=0.0005)


def test_what_is_learned_of_a_device_is_kept_when_it_comes_back() -> None:
    servo = Servo()
    Room(SimulatedDevice(wandering(150.0), true), servo).play(600.0)
    room = Room(SimulatedDevice(wandering(150.0), true, seed=9), servo)
    room.play(60.0)
    assert np.abs(room.late_s).max() < 0.0005


def test_a_click_of_a_hop_is_heard_at_its_tenth_of_a_second() -> None:
    """With the real retimer: the first frame of a hop is where the clock says, within a frame."""
    device = SimulatedDevice(wandering(20.0), true)
    room, played = Room(device, sound=True), []
    plays = device.play

    def kept(frames: np.ndarray) -> object:
        played.append((device.heard_wall_s, frames[:, 0].copy()))
        return plays(frames)

    device.play = kept  # type: ignore[method-assign, assignment]
    room.play(6.0)
    click = np.zeros((1, HOP_FRAMES))
    click[0, 0] = 1.0
    hop = room.sink.hop
    assert hop is not None
    played.clear()
    room.sink.write(Capped(click, Seal()))
    room.play(0.1)
    heard_s, frames = played[0]
    at_s = heard_s + int(np.argmax(np.abs(frames))) / RATE_HZ
    assert at_s == pytest.approx(hop / HOPS_A_SECOND, abs=0.0005)


def test_hops_are_counted_from_the_epoch_of_the_clock() -> None:
    assert hop_at(1_767_225_600.0) == 17_672_256_000
    assert ASTRAY_S > 0.001, "a skew within the promise is never a reason for silence"


def test_a_look_at_two_clocks_that_was_held_up_does_not_count(monkeypatch: pytest.MonkeyPatch) -> None:
    """The machine does something else for 9 ms within four of five looks."""
    clock = SimulatedDevice(wandering(0.0), lambda moment_s: moment_s + 1_000.0)
    held_up_s = iter([0.009, 0.0, 0.009, 0.0, 0.0, 0.0, 0.009, 0.0, 0.009, 0.0])

    def wall_s() -> float:
        shown_s = clock.true_s + 1_000.0
        clock.wait(next(held_up_s) + next(held_up_s))
        return shown_s

    monkeypatch.setattr(time, "monotonic", lambda: clock.true_s)
    monkeypatch.setattr(time, "time", wall_s)
    assert wall_clock_set_s() == pytest.approx(1_000.0, abs=1e-6)
