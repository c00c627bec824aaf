from __future__ import annotations

from itertools import pairwise
from typing import cast

import numpy as np
import pytest
from numpy.typing import NDArray

from residue.loudness.meters.hops import HOPS_A_SECOND
from residue.loudness.stage.capped import Capped
from residue.mapping.playback import Playable
from residue.output.heard_line import BEGINS_S
from residue.output.in_step import LEAVE_HOPS, SEEK_HOPS, InStepSink
from residue.output.returning import ReturningSink
from residue.output.routing import Routing
from residue.output.servo import Servo
from residue.output.sink import SinkLostError
from residue.runtime.engine.engine import ASTRAY_FADE_S, BLOCK_FRAMES, RETURN_FADE_S, Engine, Turn
from residue.runtime.engine.place_in_step import PlaceInStep
from tests.output.simulated_device import SimulatedDevice
from tests.runtime.stubs import Hum, stage

FIRST_HOP = 10_000_110
FALLS_IN_HOPS = round(BEGINS_S * HOPS_A_SECOND) + SEEK_HOPS
"""So many hops at least pass from the first frame, or from a gap, until a room keeps step."""
HOUR = 48_000 * 3_600


class Room:
    """An engine on a simulated device, with what was written at each hop of the clock."""

    def __init__(self, true_s: float, drift_ppm: float = 0.0) -> None:
        self.device = SimulatedDevice(lambda _: drift_ppm, lambda moment_s: moment_s, true_s=true_s, seed=5)
        self.written: dict[int | None, NDArray[np.float64]] = {}
        self._servo = Servo()
        self.returning = ReturningSink(self._opened, lambda: self.device.true_s, self.device.wait)
        self.engine = Engine(stage(), self.returning, 2, monotonic_s=lambda: self.device.true_s)

    def _opened(self) -> InStepSink:
        if self.device.gone:
            raise SinkLostError("It is unplugged.")
        sink = InStepSink(self.device, Routing((1, 2)), self._servo, 0.0, self.device.set_s)
        writes = sink.write

        def kept(capped: Capped) -> None:
            self.written[sink.hop] = capped.frames
            writes(capped)

        sink.write = kept  # type: ignore[method-assign]
        return sink

    def begin(self, at_frame: int = 0) -> None:
        playback = Hum(HOUR)
        playback.skip_to(at_frame)
        self.engine.begin(Turn(1, "first-batch", playback, 1.0, first_hop=FIRST_HOP))

    def play(self, seconds: float) -> None:
        for _ in range(round(seconds * HOPS_A_SECOND)):
            self.engine.run_block()


def alike(one: Room, other: Room, hops: range) -> bool:
    return all(np.allclose(one.written[hop], other.written[hop], rtol=0.0, atol=1e-6) for hop in hops)


def test_two_rooms_sound_alike_at_every_hop_of_the_clock() -> None:
    early, late = Room(1_000_000.0, 60.0), Room(1_000_001.234, -45.0)
    for room in (early, late):
        room.begin()
        room.play(17.0)
    assert np.abs(early.written[FIRST_HOP]).max() < 1e-9, "the cap stage holds it for a while"
    assert np.abs(early.written[FIRST_HOP + 20]).max() > 0.05
    assert alike(early, late, range(FIRST_HOP, FIRST_HOP + 60))


def test_one_that_comes_late_fades_in_at_the_frame_that_the_other_plays() -> None:
    """Its winder left off a little before the place that is due by then; the engine steps the rest silently."""
    on, late = Room(1_000_000.0), Room(1_000_014.5)
    on.begin()
    on.play(30.0)
    late.begin(at_frame=48_000 * 6)
    late.play(15.0)
    joined = 1_000_014.5 * HOPS_A_SECOND + FALLS_IN_HOPS
    heard = {hop: np.abs(block).max() for hop, block in late.written.items() if hop is not None}
    first = min(hop for hop, peak in heard.items() if peak > 1e-4)
    assert joined < first < joined + 25
    fade = [heard[first + hop] for hop in range(round(RETURN_FADE_S * HOPS_A_SECOND))]
    assert all(later >= before - 0.002 for before, later in pairwise(fade)), "it fades in"
    assert alike(on, late, range(first + 40, first + 80))


def test_a_room_that_loses_its_device_falls_in_again_where_the_others_are() -> None:
    on, fallen = Room(1_000_000.0), Room(1_000_000.0, 20.0)
    for room in (on, fallen):
        room.begin()
        room.play(14.0)
    fallen.device.gone = True
    fallen.play(2.3)
    fallen.device.gone = False
    fallen.play(19.0)
    on.play(21.0)
    last = max(hop for hop in fallen.written if hop is not None)
    assert fallen.engine.snapshot.turn == 1
    assert np.abs(fallen.written[last]).max() > 0.05
    assert alike(on, fallen, range(last - 60, last - 10))


def test_a_room_that_falls_out_fades_out_first() -> None:
    room = Room(1_000_000.0)
    room.begin()
    room.play(20.0)
    room.device.wait(0.6)  # a gap, longer than the buffer
    peaks = []
    while not room.engine.snapshot.astray:
        room.play(0.1)
    for _ in range(LEAVE_HOPS + FALLS_IN_HOPS):
        room.play(0.1)
        peaks.append(np.abs(room.written[None]).max())
    fading = peaks[4 : round(ASTRAY_FADE_S * HOPS_A_SECOND) + 5]
    assert all(later <= before + 0.001 for before, later in pairwise(fading))
    assert max(peaks[LEAVE_HOPS - 1 :]) < 1e-4, "nothing is cut when it moves to another hop"
    assert room.engine.snapshot.skew is not None, "it has fallen in again"


def test_a_turn_without_an_instant_plays_at_once_in_a_room_in_step() -> None:
    room = Room(1_000_000.0)
    room.play(7.0)
    room.engine.begin(Turn(1, "first-batch", Hum(HOUR), 1.0))
    room.play(1.0)
    assert np.abs(room.written[max(hop for hop in room.written if hop is not None)]).max() > 0.05


class Steps(Hum):
    """It counts its steps, and takes time for each."""

    def __init__(self, frames: int, takes_s: float) -> None:
        super().__init__(frames)
        self.now_s, self._takes_s = 0.0, takes_s

    def step(self, frames: int):  # type: ignore[no-untyped-def]
        self.now_s += self._takes_s
        return super().step(frames)


def test_a_late_turn_is_stepped_as_far_as_there_is_time() -> None:
    playback = Steps(HOUR, 0.01)
    place = PlaceInStep(100, lambda: playback.now_s)
    assert not place.reached(cast(Playable, playback), 112, 0.0)
    assert 5 <= playback.position // BLOCK_FRAMES <= 6, "half of the time of a block"
    assert not place.reached(cast(Playable, playback), 113, playback.now_s)
    assert place.reached(cast(Playable, playback), 114, playback.now_s)
    assert playback.position == 14 * BLOCK_FRAMES
    assert place.take_joined()
    assert not place.take_joined()


@pytest.mark.parametrize("hop", [None, 99, 100])
def test_a_turn_waits_for_its_instant(hop: int | None) -> None:
    playback = Hum(HOUR)
    place = PlaceInStep(100, lambda: 0.0)
    assert place.reached(cast(Playable, playback), hop, 0.0) == (hop == 100)
    assert not place.take_joined(), "from its beginning it needs no fade"


def test_a_late_turn_may_be_over() -> None:
    place = PlaceInStep(100, lambda: 0.0)
    assert place.reached(cast(Playable, Hum(BLOCK_FRAMES * 3)), 200, 0.0)
