"""The last block of a sender that ends or stalls fades out, as the cap stage foresaw for each hop."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import pytest
from numpy.typing import NDArray

from residue.dsp.retiming import ONE, Retimer
from residue.loudness.meters.hops import HOP_FRAMES
from residue.loudness.stage.ending import RISE
from residue.output.held_back import RETIMED_FRAMES, HeldBack

Frames = NDArray[np.float32]


@dataclass
class Recorder:
    """A stream that keeps what is played."""

    late: bool = False
    played: list[Frames] = field(default_factory=list)

    def write(self, frames: bytes) -> bool:
        self.played.append(np.frombuffer(frames, np.float32).reshape(-1, 2).T)
        return self.late


def block(seed: int) -> Frames:
    return np.random.default_rng(seed).uniform(-1.0, 1.0, (2, HOP_FRAMES)).astype(np.float32)


def sent(frames: Frames) -> bytes:
    return frames.T.tobytes()


def test_blocks_are_played_to_the_bit_and_the_last_one_fades_as_the_cap_stage_foresaw() -> None:
    stream, blocks = Recorder(), [block(seed) for seed in range(4)]
    held_back = HeldBack(stream, 2)
    for one in blocks:
        held_back.play(sent(one))
    held_back.fade_out()
    assert all(np.array_equal(*pair) for pair in zip(stream.played[:-1], blocks[:-1], strict=True))
    assert np.allclose(stream.played[-1], blocks[-1] * (1.0 - RISE), rtol=1e-6, atol=1e-7)
    assert np.all(np.abs(stream.played[-1]) <= np.abs(blocks[-1]))
    assert np.all(stream.played[-1][:, -1] == 0.0)


def test_what_comes_after_a_fade_fades_in_and_is_one_gap() -> None:
    stream = Recorder()
    held_back = HeldBack(stream, 2)
    assert not held_back.play(sent(block(1)))
    held_back.fade_out()
    stream.late = True  # the stream ran empty
    late = [held_back.play(sent(block(seed))) for seed in (2, 3)]
    stream.late = False
    assert [*late, held_back.play(sent(block(4)))] == [True, False, False]
    assert np.allclose(stream.played[1], block(2) * RISE, rtol=1e-6, atol=1e-7)
    assert np.array_equal(stream.played[2], block(3))


def test_a_stream_that_ran_empty_without_a_fade_is_told() -> None:
    stream = Recorder(late=True)
    held_back = HeldBack(stream, 2)
    assert [held_back.play(sent(block(seed))) for seed in (1, 2, 3)] == [False, True, True]


def test_nothing_to_fade_plays_nothing() -> None:
    stream = Recorder()
    held_back = HeldBack(stream, 2)
    held_back.fade_out()
    assert not held_back.play(sent(block(1)))
    held_back.fade_out()
    held_back.fade_out()
    assert len(stream.played) == 1


@pytest.mark.parametrize("faster", [0.0, -200e-6, 200e-6])
def test_in_a_room_in_step_the_fade_begins_with_the_last_hop_and_not_before_it(faster: float) -> None:
    """A retimer gives the beginning of a hop together with the end of the one before: nothing of that fades."""
    stream, retimer, hops = Recorder(), Retimer(2), 12
    held_back = HeldBack(stream, 2, RETIMED_FRAMES)
    for number in range(1, hops + 1):
        given = retimer(np.full((2, HOP_FRAMES), float(number)), round((1.0 + faster) * ONE))
        held_back.play(sent(given.astype(np.float32)))
    held_back.fade_out()
    played = np.concatenate(stream.played, axis=1)[0]
    steps = np.flatnonzero(np.diff(np.rint(played)) > 0.0) + 1  # where each hop begins, to a frame
    fall = len(played) - len(stream.played[-1][0])
    assert abs(fall - steps[-1]) <= 1
    assert np.all(np.abs(played[fall - 1000 : fall - RETIMED_FRAMES] - (hops - 1)) < 1e-2), "as it was sent"
    assert np.all(np.diff(played[fall + 2 * RETIMED_FRAMES :]) < 0.0)
    assert played[-1] == 0.0
