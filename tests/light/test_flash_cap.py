from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from residue.light.flash_cap import FULL, TURN_S, CappedLight, FlashCap, LightSeal
from tests.light.flash_counter import most_flashes, most_red_flashes
from tests.properties import tries

Floats = NDArray[np.float64]
RATE_HZ = 40.0
DIMMERS: tuple[Callable[[Floats], Floats], ...] = (
    lambda sent: sent,
    lambda sent: sent**2,  # a square-law dimmer
    lambda sent: sent**2 * (3.0 - 2.0 * sent),  # an S
)
"""Relative luminance by what is sent: common practice, no source."""


def moments(over_s: float = 2.5) -> Floats:
    return np.arange(0.0, over_s, 1.0 / RATE_HZ)


def capped(wanted: Floats, at_s: Floats) -> Floats:
    """(moments, lamps): what is sent, 0 to 1; wanted has the same shape."""
    cap = FlashCap(wanted.shape[1], at_s[0])
    return np.array([cap(one, now_s).codes for one, now_s in zip(wanted, at_s, strict=True)]) / FULL


def mixtures(lamps: int, seed: int) -> list[Floats]:
    """Shares in which lamps may arrive at an eye: each alone, all alike, and some at random."""
    random = np.random.default_rng(seed)
    return [*np.eye(lamps), np.full(lamps, 1.0 / lamps), *random.dirichlet(np.full(lamps, 0.6), 3)]


def most_at_any_eye(sent: Floats, at_s: Floats, seed: int = 1) -> int:
    seen = np.array([dimmer(sent) @ shares for shares in mixtures(sent.shape[1], seed) for dimmer in DIMMERS]).T
    return max(most_flashes(at_s, seen), most_flashes(at_s, seen, red=True))


def square(at_s: Floats, rate_hz: float, phase: float = 0.0) -> Floats:
    return (np.mod(at_s * rate_hz + phase, 1.0) < 0.5).astype(np.float64)


Wanted = Callable[[Floats], Floats]

HOSTILE: dict[str, Wanted] = {
    "4 flashes a second": lambda t: np.array([square(t, 4.0)]).T,
    "8 flashes a second": lambda t: np.array([square(t, 8.0)]).T,
    "20 flashes a second": lambda t: np.array([square(t, 20.0)]).T,
    "three lamps by turns": lambda t: np.array([square(t, 3.0, turn / 3) for turn in range(3)]).T,
    "two lamps against each other": lambda t: np.array([square(t, 6.0), 1.0 - square(t, 6.0)]).T,
    "noise": lambda t: np.random.default_rng(3).uniform(-0.5, 1.5, (len(t), 3)),
    "a sum of sines": lambda t: np.array([0.5 + 0.5 * np.sin(9 * t) * np.sin(31 * t), np.abs(np.sin(17 * t))]).T,
    "just under a tenth of the range": lambda t: (
        np.array([0.5 + 0.049 * square(t, 10), 0.5 - 0.049 * square(t, 10, 0.2)]).T
    ),
    "no number": lambda t: np.where(np.array([square(t, 10)]).T > 0.5, np.nan, np.inf),
}


@pytest.mark.parametrize("name", HOSTILE)
def test_no_more_than_three_flashes_in_any_second_reach_any_eye(name: str) -> None:
    at_s = moments()
    sent = capped(HOSTILE[name](at_s), at_s)
    assert most_at_any_eye(sent, at_s) <= 3


@given(
    seed=st.integers(0, 2**32 - 1),
    lamps=st.integers(1, 4),
    late_s=st.sampled_from([0.0, 0.02, 0.3]),
    gait=st.sampled_from([0.02, 0.2, 1.0]),
)
@tries(quick=10, many=150)
def test_whatever_is_wanted_and_whenever_it_is_sent(seed: int, lamps: int, late_s: float, gait: float) -> None:
    random = np.random.default_rng(seed)
    at_s = np.cumsum(1.0 / RATE_HZ + random.exponential(late_s, 80) * (random.uniform(size=80) < 0.2))
    jumps = random.uniform(size=(80, lamps)) < gait
    wanted = np.where(jumps, random.uniform(-0.2, 1.2, (80, lamps)), np.nan)
    for row in range(1, 80):
        wanted[row] = np.where(jumps[row], wanted[row], wanted[row - 1])
    assert most_at_any_eye(capped(wanted, at_s), at_s, seed) <= 3


def capped_colours(wanted: Floats, at_s: Floats) -> Floats:
    """(moments, fixtures, 3): what is sent of fixtures of red, green and blue; wanted has the same shape."""
    fixtures = wanted.shape[1]
    reds = np.kron(np.eye(fixtures), [1.0, -1.0, -1.0])
    cap = FlashCap(3 * fixtures, at_s[0], reds.tolist())
    sent = np.array([cap(one.ravel(), now_s).codes for one, now_s in zip(wanted, at_s, strict=True)])
    return sent.reshape(wanted.shape) / FULL


def most_red_at_any_eye(sent: Floats, at_s: Floats, seed: int = 1) -> int:
    shares = [one for one in mixtures(sent.shape[1], seed) if len(one) == sent.shape[1]]
    seen = [np.einsum("tfc,f->tc", dimmer(sent), one) for one in shares for dimmer in DIMMERS]
    return most_red_flashes(at_s, np.array(seen).transpose(1, 0, 2))


def by_turns(at_s: Floats) -> Floats:
    """Red comes first and the other colours follow, and likewise back: each turn of the light hides a red flash."""
    place = np.mod(at_s * 2.5 + 1e-6, 1.0)
    red, rest = (place < 0.75) * 1.0, ((place >= 0.25) & (place < 0.5)) * 1.0
    return np.stack([red, rest, rest], axis=1)[:, None]


COLOURED: dict[str, Wanted] = {
    "red first, white after it": by_turns,
    "a staircase of red and green": lambda t: np.stack(
        [np.minimum(np.floor(t * 20) / 16, 1), np.minimum(np.floor(t * 20 - 0.5) / 16, 1) * 0.9, 0 * t], axis=1
    )[:, None],
    "red against white": lambda t: np.array([[square(t, 8.0)] * 3, [1.0 - square(t, 8.0), 0 * t, 0 * t]]).transpose(
        2, 0, 1
    ),
    "two reds and noise": lambda t: np.random.default_rng(5).uniform(-0.5, 1.5, (len(t), 2, 3)),
}


@pytest.mark.parametrize("name", COLOURED)
def test_no_more_than_three_red_flashes_by_mixed_colours(name: str) -> None:
    """WCAG 2.2, red flash: R / (R + G + B) of 0.8 or more, and (R - G - B) x 320 moves by more than 20."""
    at_s = moments()
    sent = capped_colours(COLOURED[name](at_s), at_s)
    assert most_red_at_any_eye(sent, at_s) <= 3
    assert most_at_any_eye(sent.reshape(len(at_s), -1), at_s) <= 3


@given(seed=st.integers(0, 2**32 - 1), fixtures=st.integers(1, 3), gait=st.sampled_from([0.1, 0.4, 1.0]))
@tries(quick=5, many=100)
def test_no_more_than_three_red_flashes_whatever_colours_are_wanted(seed: int, fixtures: int, gait: float) -> None:
    random = np.random.default_rng(seed)
    at_s = np.cumsum(1.0 / RATE_HZ + random.exponential(0.02, 70) * (random.uniform(size=70) < 0.2))
    wanted = random.uniform(-0.2, 1.2, (70, fixtures, 3)).round(random.integers(0, 3))
    for row in range(1, 70):
        wanted[row] = np.where(random.uniform(size=(fixtures, 3)) < gait, wanted[row], wanted[row - 1])
    assert most_red_at_any_eye(capped_colours(wanted, at_s), at_s, seed) <= 3


def test_white_of_three_colours_is_sent_as_it_is() -> None:
    at_s = moments(5.0)
    white = 0.5 - 0.5 * np.cos(2.0 * np.pi * at_s)
    wanted = np.stack([white] * 3, axis=1)[:, None]
    assert np.abs(capped_colours(wanted, at_s) - wanted).max() < 0.025


def test_the_counter_of_red_flashes_finds_what_the_cap_takes_away() -> None:
    at_s = moments()
    assert most_red_flashes(at_s, by_turns(at_s)) == 5
    sent = capped(by_turns(at_s)[:, 0], at_s)
    assert most_red_flashes(at_s, sent[:, None]) > 3, "the turns of the light alone do not see it"
    pale = np.stack([0.3 + 0.5 * square(at_s, 10.0), np.full(len(at_s), 0.25), np.zeros(len(at_s))], axis=1)
    assert most_red_flashes(at_s, pale[:, None]) == 0, "0.76 at most is red"


def test_packets_that_arrive_late_against_each_other_make_no_more_flashes() -> None:
    at_s = moments()
    sent = capped(np.array([square(at_s, 9.0)]).T, at_s)
    late_s = np.maximum.accumulate(at_s + np.random.default_rng(2).uniform(0.0, 0.19, len(at_s)))
    assert most_at_any_eye(sent, late_s) <= 3


def test_the_counter_finds_what_the_cap_takes_away() -> None:
    at_s = moments()
    ten = square(at_s, 10.0)[:, None]
    assert most_flashes(at_s, ten) == 10
    assert most_flashes(at_s, square(at_s, 3.0)[:, None]) == 3
    assert most_flashes(at_s, 0.85 + 0.15 * ten) == 0, "the darker is not below 0.80"
    assert most_flashes(at_s, 0.09 * ten) == 0
    assert most_flashes(at_s, 0.09 * ten, red=True) == 10


@pytest.mark.parametrize("rate_hz", [0.1, 0.5, 1.0, 2.0])
def test_what_flashes_seldom_enough_is_sent_as_it_is(rate_hz: float) -> None:
    at_s = moments(5.0)
    wanted = np.array([0.5 - 0.5 * np.cos(2.0 * np.pi * rate_hz * at_s)]).T
    assert np.abs(capped(wanted, at_s) - wanted).max() < 0.025  # TURN_FROM and half a code


def test_a_lamp_that_fades_slowly_is_not_held_by_one_that_beats() -> None:
    at_s = moments(10.0)
    wanted = np.array([np.linspace(1.0, 0.0, len(at_s)), square(at_s, 1.1)]).T
    off = np.abs(capped(wanted, at_s) - wanted)[round(RATE_HZ) :]
    assert off[:, 0].max() < 0.05


def test_a_pause_makes_no_jump_free() -> None:
    cap = FlashCap(2, 0.0)
    before = cap([0.0, 0.5], 0.0).codes[1]
    assert before > 100
    after = cap([0.9, 0.1], 20.0).codes  # the first wants more, and so all may only rise
    assert after[0] > 200
    assert abs(int(after[1]) - int(before)) <= 1


def test_all_is_dark_within_a_turn() -> None:
    cap = FlashCap(3, 0.0)
    now_s = 0.0
    for now_s in moments(2.03):
        cap([1.0, 0.7, 0.2 * (int(now_s * 40) % 2)], float(now_s))
    sent = [cap([0.0, 0.0, 0.0], float(now_s) + after_s).codes for after_s in (TURN_S / 2, TURN_S + 0.001)]
    assert not sent[-1].any()


def test_nothing_but_the_cap_makes_what_lamps_are_told() -> None:
    with pytest.raises(TypeError, match="Only the cap on flashes"):
        CappedLight(np.zeros(1, np.uint8), LightSeal)  # type: ignore[arg-type]  # the class, for want of a seal


def test_what_is_held_back_is_counted() -> None:
    at_s = moments()
    cap = FlashCap(1, 0.0)
    for now_s in at_s:
        cap([0.5 - 0.5 * np.cos(np.pi * now_s)], float(now_s))
    assert cap.held <= 1
    for now_s in at_s:
        cap([float(int(now_s * 20) % 2)], 3.0 + float(now_s))
    assert cap.held > 20
