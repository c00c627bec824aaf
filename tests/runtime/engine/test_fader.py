from __future__ import annotations

import numpy as np
import pytest

from residue.runtime.engine.fader import Fader


@pytest.mark.parametrize("cut", [1, 7, 480, 4_800, 100_000], ids=lambda cut: f"{cut} frames")
def test_a_fade_is_the_same_however_it_is_cut(cut: int) -> None:
    whole, cut_up = Fader(1.0), Fader(1.0)
    whole.move(0.25, 10_000)
    cut_up.move(0.25, 10_000)
    expected = whole.next(12_000)
    found = np.concatenate([cut_up.next(min(cut, 12_000 - at)) for at in range(0, 12_000, cut)])
    np.testing.assert_allclose(found, expected, atol=1e-13)


def test_a_fade_arrives_when_it_says_and_never_overshoots() -> None:
    fader = Fader(1.0)
    fader.move(0.0, 1_000)
    gains = fader.next(2_000)
    assert (np.diff(gains) <= 0).all()
    assert gains[998] > 0.0
    assert not gains[999:].any()
    assert fader.silent


def test_a_fade_turned_round_goes_on_from_where_it_is() -> None:
    fader = Fader(0.0)
    fader.move(1.0, 1_000)
    last = fader.next(500)[-1]
    fader.move(0.0, 1_000)
    assert fader.next(1)[0] == pytest.approx(last, abs=0.002)


def test_hastening_only_shortens() -> None:
    fader = Fader(1.0)
    fader.move(0.0, 1_000)
    fader.hasten(5_000)
    fader.hasten(100)
    fader.next(100)
    assert fader.silent
