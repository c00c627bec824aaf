"""Two versions of a piece, the one heard after the other: without a click, without a gap, and never without a sound."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, cast

import numpy as np
import pytest
from numpy.typing import NDArray

from residue.mapping.playback import Played
from residue.mapping.signals import Span, frame_at
from residue.runtime.engine.engine import BLOCK_FRAMES
from residue.runtime.listening.edited import CROSSFADE_S, Edited
from residue.runtime.listening.trail import Trail

Floats = NDArray[np.float64]
Sound = Callable[[Floats], Floats]


class Tone:
    """A version that gives a function of the time in seconds on one output."""

    def __init__(self, sound: Sound, position: int = 0) -> None:
        self.sound, self.position = sound, position

    def step(self, frames: int) -> Played:
        span = Span(self.position, self.position + frames)
        self.position = span.stop
        block = self.sound(np.arange(span.start, span.stop) / 48_000.0)[np.newaxis]
        return Played(span, block, {}, "dough", ended=False, readings={})

    def skip_to(self, frame: int) -> None:
        self.step(frame - self.position)


def sine(hz: float, level: float = 0.5) -> Sound:
    """Its phase differs from one frequency to another at every block, so that a switch would be a step."""
    return lambda at_s: level * np.sin(2.0 * np.pi * hz * at_s + hz)


def broken(_at_s: Floats) -> Floats:
    raise ArithmeticError("The dough is gone")


def playing(sound: Sound, *, rise_s: float = 0.0) -> tuple[Edited, list[str]]:
    told: list[str] = []
    return Edited(cast(Trail, Tone(sound)), lambda _track, made: made, rise_s, told.append), told


def heard(edited: Edited, blocks: int) -> Floats:
    return np.concatenate([edited.step(BLOCK_FRAMES).outputs[0] for _ in range(blocks)])


def trail(sound: Sound, position: int = 0) -> Any:
    return Tone(sound, position)


def test_the_new_one_takes_over_at_the_same_place_without_a_click() -> None:
    edited, _ = playing(sine(100.0))
    before = heard(edited, 5)
    edited.offer(trail(sine(170.0), 5 * BLOCK_FRAMES))
    after = heard(edited, 10)
    assert edited.position == 15 * BLOCK_FRAMES
    at_s = np.arange(15 * BLOCK_FRAMES) / 48_000.0
    both = np.concatenate([before, after])
    # A click is a step: nothing may change faster from frame to frame than the faster of the two sines, but for the
    # slope of the crossfade itself, which is at most 2 / length of it.
    steepest = 0.5 * 2.0 * np.pi * 170.0 / 48_000.0 + 2.0 / frame_at(CROSSFADE_S)
    assert np.abs(np.diff(both)).max() < steepest
    gone = 5 * BLOCK_FRAMES + frame_at(CROSSFADE_S)
    assert np.array_equal(both[gone:], sine(170.0)(at_s)[gone:])


def test_where_both_give_the_same_bits_the_crossfade_gives_them_too() -> None:
    edited, _ = playing(sine(123.4))
    heard(edited, 3)
    edited.offer(trail(sine(123.4), 3 * BLOCK_FRAMES))
    assert np.array_equal(heard(edited, 8), sine(123.4)(np.arange(3 * BLOCK_FRAMES, 11 * BLOCK_FRAMES) / 48_000.0))


@pytest.mark.parametrize("lead", [-4, 0, 6], ids=["behind", "at the place", "ahead"])
def test_a_version_that_is_not_at_the_place_waits_or_is_stepped_there(lead: int) -> None:
    edited, _ = playing(sine(100.0, 0.0))
    heard(edited, 5)
    edited.offer(trail(lambda at_s: at_s, (5 + lead) * BLOCK_FRAMES))
    blocks = max(0, lead) + frame_at(CROSSFADE_S) // BLOCK_FRAMES
    given = heard(edited, blocks + 1)
    assert not given[: max(0, lead) * BLOCK_FRAMES].any()
    begins = (5 + blocks) * BLOCK_FRAMES
    assert np.array_equal(given[-BLOCK_FRAMES:], np.arange(begins, begins + BLOCK_FRAMES) / 48_000.0)


@pytest.mark.parametrize("sound", [broken, lambda at_s: at_s * np.nan], ids=["an error", "not a number"])
@pytest.mark.parametrize("behind", [0, 2])
def test_a_version_that_fails_leaves_the_one_before_playing(sound: Sound, behind: int) -> None:
    edited, told = playing(sine(100.0))
    heard(edited, 3)
    edited.offer(trail(sound, (3 - behind) * BLOCK_FRAMES))
    assert np.array_equal(heard(edited, 9), sine(100.0)(np.arange(3 * BLOCK_FRAMES, 12 * BLOCK_FRAMES) / 48_000.0))
    assert len(told) == 1
    assert told[0].startswith("The edited piece fails: ")
    assert not edited.failed


def test_the_only_one_fades_out_when_it_fails_and_says_where() -> None:
    edited, told = playing(lambda at_s: broken(at_s) if at_s[0] > 0.45 else sine(100.0)(at_s))
    before = heard(edited, 5)
    played = edited.step(BLOCK_FRAMES)
    assert played.ended
    assert edited.failed
    both = np.concatenate([before, played.outputs[0]])
    assert np.abs(np.diff(both)).max() < 0.01
    assert abs(both[-1]) < 1e-6
    assert told == ["The piece failed at 0.5 s: The dough is gone. Save it corrected, and it goes on there."]


@pytest.mark.parametrize("at_s", [0.35, 0.65], ids=["before the new one is there", "within the crossfade"])
def test_the_new_one_still_waits_where_the_old_one_fails_before_it_has_handed_over(at_s: float) -> None:
    edited, told = playing(lambda at: broken(at) if at[0] > at_s else sine(100.0)(at))
    before, new = heard(edited, 3), trail(sine(100.0), 5 * BLOCK_FRAMES)
    edited.offer(new)
    blocks = [before]
    while not (played := edited.step(BLOCK_FRAMES)).ended:
        blocks.append(played.outputs[0])
    both = np.concatenate([*blocks, played.outputs[0]])
    assert np.abs(np.diff(both)).max() < 0.01
    assert abs(both[-1]) < 1e-6
    assert edited.failed
    assert edited.offered is new
    assert told[0].endswith("The dough is gone. The next version goes on.")


def test_an_edit_within_a_crossfade_waits_for_its_end() -> None:
    edited, _ = playing(sine(100.0))
    edited.offer(trail(sine(120.0)))
    heard(edited, 2)
    edited.offer(trail(sine(140.0), 2 * BLOCK_FRAMES))
    given = heard(edited, 12)
    steepest = 0.5 * 2.0 * np.pi * 140.0 / 48_000.0 + 2.0 / frame_at(CROSSFADE_S)
    assert np.abs(np.diff(given)).max() < steepest
    assert np.array_equal(given[-BLOCK_FRAMES:], sine(140.0)(np.arange(13 * 4_800, 14 * 4_800) / 48_000.0))


def test_the_first_sound_comes_up_slowly() -> None:
    edited, _ = playing(lambda at_s: np.ones_like(at_s), rise_s=1.0)
    given = heard(edited, 12)
    assert given[0] < 1e-6
    assert np.all(np.diff(given) >= 0.0)
    assert np.all(given[48_000:] == 1.0)
