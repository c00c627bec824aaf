"""Both inner loops against scipy, to the bit: the compiled ones, and those that take their place."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy import signal

from residue.dsp import kernel
from residue.dsp.kernel import Polyphase, polyphase, sosfilt, sosfilt_in_scipy

Floats = NDArray[np.float64]
Upfirdn = Callable[[Polyphase, Floats, int, int], Floats]


def test_here_it_is_compiled() -> None:
    """Else everything works, and a start takes a second longer: see pyproject.toml, ext-modules."""
    assert kernel.COMPILED


@pytest.mark.parametrize("filtered", [sosfilt, sosfilt_in_scipy])
@given(st.integers(1, 9), st.integers(1, 3), st.lists(st.integers(0, 50), min_size=1, max_size=4), st.integers(0, 99))
def test_second_order_sections_give_the_bits_of_scipy_however_the_stream_is_cut(
    filtered: Callable[..., None], sections: int, channels: int, cuts: list[int], seed: int
) -> None:
    assume(sum(cuts) > 0)
    drawn = np.random.default_rng(seed)
    sos = np.ascontiguousarray(signal.butter(sections, [0.02, 0.4], "bandpass", output="sos"))
    x, state = drawn.standard_normal((channels, sum(cuts))), drawn.standard_normal((channels, len(sos), 2))
    y, after = signal.sosfilt(sos, x, zi=state.transpose(1, 0, 2))
    blocks = [np.ascontiguousarray(block) for block in np.split(x, np.cumsum(cuts)[:-1], axis=1)]
    for block in blocks:
        filtered(sos, x=block, state=state)
    assert np.array_equal(np.hstack(blocks), y)
    assert np.array_equal(state, after.transpose(1, 0, 2))


@pytest.mark.parametrize("filtered", [Polyphase.__call__, Polyphase.in_scipy], ids=["compiled", "in scipy"])
@given(
    up=st.integers(1, 24),
    down=st.integers(1, 24),
    lengths=st.tuples(st.integers(1, 60), st.integers(1, 60)),
    first=st.integers(0, 40),
    count=st.integers(0, 60),
)
def test_a_polyphase_filter_gives_any_stretch_of_what_scipy_gives(
    filtered: Upfirdn, up: int, down: int, lengths: tuple[int, int], first: int, count: int
) -> None:
    drawn = np.random.default_rng(sum(lengths))
    taps, x = (drawn.standard_normal(length) for length in lengths)
    whole = np.pad(signal.upfirdn(taps, x, up, down), (0, first + count))
    assert np.array_equal(filtered(polyphase(taps, up=up, down=down), x, first, count), whole[first : first + count])


@pytest.mark.parametrize(
    "wrong",
    [np.zeros((1, 4), np.float32), np.zeros((1, 3)), np.zeros((4, 2)).T],
    ids=["of another type", "too short", "not in C order"],
)
def test_what_does_not_fit_is_refused_and_not_read_beyond_its_end(wrong: Floats) -> None:
    from residue.dsp import _kernel

    with pytest.raises((ValueError, BufferError)):
        _kernel.sosfilt(np.zeros((1, 6)), wrong, np.zeros((1, 1, 2)), 1, 2, 4)


def test_an_array_that_may_not_be_written_is_refused() -> None:
    x = np.zeros((1, 4))
    x.setflags(write=False)
    with pytest.raises((ValueError, BufferError)):
        sosfilt(np.zeros((1, 6)), x=x, state=np.zeros((1, 1, 2)))
