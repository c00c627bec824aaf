"""Every compiled loop against the form that takes its place, and filters against scipy too: to the bit."""

from __future__ import annotations

import ctypes
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import cast

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy import signal

from residue.dsp import exact, kernel, shaping
from residue.dsp.cloud import Cloud, Grain
from residue.dsp.grains import Raised
from residue.dsp.kernel import Polyphase, polyphase, sosfilt, sosfilt_in_scipy
from residue.dsp.phase import Phasor
from residue.dsp.sliding import FallingMaximum, sliding_maximum, sliding_sum
from residue.dsp.varispeed import ONE
from residue.loudness.meters.true_peak import REACH, TruePeakMeter, highest_between, peaks_above
from residue.loudness.outputs.outputs import Output
from residue.loudness.stage.limiter import Limiter
from residue.mapping.node import Ramp
from residue.mapping.nodes.memory import _Loops
from residue.mapping.nodes.reverberation import _Network
from residue.mapping.signals import Span

PROJECT = Path(__file__).resolve().parents[2]
Floats = NDArray[np.float64]
Upfirdn = Callable[[Polyphase, Floats, int, int], Floats]


def test_here_it_is_compiled() -> None:
    """Else everything works, more slowly: see pyproject.toml, ext-modules."""
    assert kernel.COMPILED


def both(work: Callable[[], Floats]) -> tuple[Floats, Floats]:
    """What some work gives with the compiled loops, and without."""
    compiled = work()
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(kernel, "COMPILED", False)
        return compiled, work()


def hostile(seed: int, shape: int | tuple[int, ...]) -> Floats:
    """Noise with silence, subnormal, tiny and huge values among it."""
    drawn = np.random.default_rng(seed)
    values = drawn.standard_normal(shape)
    odd = np.array([0.0, -0.0, 5e-324, -3e-310, 1e-160, -1e60, 1e60, 1.0, -1.0])
    values[drawn.random(shape) < 0.2] = drawn.choice(odd)
    return values


# ---- filters -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("filtered", [sosfilt, sosfilt_in_scipy])
@given(st.integers(1, 9), st.integers(1, 6), st.lists(st.integers(0, 50), min_size=1, max_size=4), st.integers(0, 99))
def test_second_order_sections_give_the_bits_of_scipy_however_the_stream_is_cut(
    filtered: Callable[..., Floats], sections: int, channels: int, cuts: list[int], seed: int
) -> None:
    assume(sum(cuts) > 0)
    drawn = np.random.default_rng(seed)
    sos = np.ascontiguousarray(signal.butter(sections, [0.02, 0.4], "bandpass", output="sos"))
    x, state = hostile(seed, (channels, sum(cuts))), drawn.standard_normal((channels, len(sos), 2))
    y, after = signal.sosfilt(sos, x + 1e-30, zi=state.transpose(1, 0, 2))
    blocks = [filtered(sos, x=block, state=state, guard=1e-30) for block in np.split(x, np.cumsum(cuts)[:-1], axis=1)]
    assert np.array_equal(np.hstack(blocks), y)
    assert np.array_equal(state, after.transpose(1, 0, 2))


@pytest.mark.parametrize("filtered", [sosfilt, sosfilt_in_scipy])
@given(st.integers(1, 5), st.integers(1, 11), st.sampled_from([1, 11]), st.integers(0, 50), st.integers(0, 99))
def test_channels_with_filters_of_their_own_give_what_each_gives_alone(
    filtered: Callable[..., Floats], sections: int, channels: int, inputs: int, frames: int, seed: int
) -> None:
    drawn = np.random.default_rng(seed)
    edges = drawn.uniform(0.01, 0.4, channels)
    sos = np.stack([signal.butter(2 * sections, edge, output="sos") for edge in edges])
    x, state = hostile(seed, (min(inputs, channels), frames)), drawn.standard_normal((channels, sections, 2))
    alone = state.copy()
    ys = [sosfilt(sos[n], x=x[n % len(x)][None], state=alone[n : n + 1], guard=1e-30)[0] for n in range(channels)]
    assert np.array_equal(filtered(sos, x=x, state=state, guard=1e-30), np.reshape(ys, (channels, frames)))
    assert np.array_equal(state, alone)


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


# ---- value by value ----------------------------------------------------------------------------------------------


@given(st.integers(0, 200), st.integers(0, 99))
def test_curves_keep_their_bits(count: int, seed: int) -> None:
    values = hostile(seed, count)
    phases = np.random.default_rng(seed).integers(0, 2**64, count, dtype=np.uint64)
    phases[: count // 3] &= np.uint64(3 << 62)  # the quarters themselves
    for work in (
        lambda: exact.sine(phases),
        lambda: exact.exp2(values * 100.0),
        lambda: shaping.saturate(values * 3.0),
    ):
        compiled, plain = both(work)
        assert compiled.tobytes() == plain.tobytes()


def test_what_is_not_a_number_stays_so() -> None:
    with np.errstate(invalid="ignore"):
        for curve in (exact.exp2, shaping.saturate):
            compiled, plain = both(lambda curve=curve: curve(np.array([np.nan, 1.0])))  # type: ignore[misc]
            assert np.array_equal(compiled, plain, equal_nan=True)
            assert np.isnan(compiled[0])


@given(st.lists(st.integers(0, 60), min_size=1, max_size=5), st.integers(0, 99))
def test_a_ramp_keeps_its_bits_however_time_is_cut(cuts: list[int], seed: int) -> None:
    def work() -> Floats:
        ramp, parts, start = Ramp(), [np.zeros(0)], 0
        for frames in cuts:
            span = Span(start, start + frames)
            values = hostile(seed + start, span.ticks)
            parts.append(np.asarray(ramp(span, values)))
            start += frames
        return np.concatenate(parts)

    compiled, plain = both(work)
    assert compiled.tobytes() == plain.tobytes()


# ---- levels ------------------------------------------------------------------------------------------------------


@given(st.integers(1, 9), st.integers(1, 700), st.integers(0, 5), st.sampled_from([2, 4]), st.integers(0, 99))
def test_sums_of_powers_are_in_the_order_of_numpy(rows: int, length: int, count: int, power: int, seed: int) -> None:
    x = hostile(seed, (rows, count * length))
    compiled, plain = both(lambda: kernel.power_sums(x, length, power))
    assert compiled.tobytes() == plain.tobytes()


@given(st.integers(1, 40), st.integers(1, 100), st.integers(0, 99))
def test_rows_are_added_and_compared_alike(rows: int, count: int, seed: int) -> None:
    x, gains = hostile(seed, (rows, count)), hostile(seed + 1, rows)
    for work in (
        lambda: kernel.weighted_sum(gains, x),
        lambda: kernel.magnitudes(x),
        lambda: np.array(kernel.levels_together(gains, x)),
    ):
        compiled, plain = both(work)
        assert np.array_equal(compiled, plain)


def test_gains_and_thresholds_that_are_whole_numbers_are_no_other_numbers() -> None:
    """The kernel takes 64 bits for what they are said to be: those of the integer 1 would be a gain of 5e-324."""
    x, ones = hostile(1, (2, REACH + 120)), cast(Floats, np.ones(2, np.int64))
    for work in (
        lambda: kernel.weighted_sum(ones, x),
        lambda: np.array(kernel.levels_together(ones, x)),
    ):
        compiled, plain = both(work)
        assert np.array_equal(compiled, plain)
    whole, real = (peaks_above(x, thresholds)[2] for thresholds in (ones, np.ones(2)))
    assert np.array_equal(whole, real)


@given(st.integers(1, 3), st.integers(1, 6), st.floats(0.0, 2.0), st.integers(0, 99))
def test_peaks_between_samples_are_the_same(rows: int, blocks: int, threshold: float, seed: int) -> None:
    drawn = np.random.default_rng(seed)
    x = drawn.standard_normal((rows, REACH + 120 * blocks)) * drawn.choice([1.0, 0.01], (rows, 1))
    x[:, : 60 * blocks] = signal.sosfilt(signal.butter(2, 0.1, output="sos"), x[:, : 60 * blocks])

    def above() -> Floats:
        channel, frame, peak = peaks_above(x, np.full(rows, threshold))
        found = np.zeros((rows, 120 * blocks))
        counts = peak > threshold
        found[channel[counts], frame[counts]] = peak[counts]
        return found

    def metered() -> Floats:
        meter = TruePeakMeter(rows)
        for block in np.array_split(x, 3, axis=1):
            meter(block)
        return meter.highest

    for work in (above, metered, lambda: highest_between(x)):
        compiled, plain = both(work)
        assert compiled.tobytes() == plain.tobytes()


# ---- windows -----------------------------------------------------------------------------------------------------


@given(st.integers(1, 70), st.lists(st.integers(0, 150), min_size=1, max_size=4), st.integers(0, 99))
def test_windows_keep_their_bits_however_the_stream_is_cut(window: int, cuts: list[int], seed: int) -> None:
    def work(how: Callable[[], Callable[[Floats], Floats]]) -> Callable[[], Floats]:
        def run() -> Floats:
            stream = how()
            return np.concatenate([stream(hostile(seed + n, count)) for n, count in enumerate(cuts)])

        return run

    for how in (lambda: sliding_sum(window), lambda: sliding_maximum(window), lambda: FallingMaximum(0.97)):
        compiled, plain = both(work(how))
        assert np.array_equal(compiled, plain)


@given(st.integers(0, 12), st.integers(0, 90), st.integers(0, 99))
def test_a_running_median_is_that_of_scipy(reach: int, count: int, seed: int) -> None:
    x = hostile(seed, 2 * reach + 1 + count)
    x[::3] = 0.5  # some values are alike
    compiled, plain = both(lambda: kernel.running_median(x, 2 * reach + 1))
    assert np.array_equal(compiled, plain)


@given(st.lists(st.sampled_from([0.0, 0.5, 1.5, 4.0]), min_size=1, max_size=8), st.integers(0, 99))
def test_a_limiter_gives_the_same_gains(levels: list[float], seed: int) -> None:
    outputs = {"left": Output(device_channel=1), "floor": Output(device_channel=2, transducer="shaker")}
    drawn = np.random.default_rng(seed)
    hops = [drawn.standard_normal((2, 4800)) * level * (drawn.random((2, 1)) < 0.7) for level in levels]

    def work() -> Floats:
        limit = Limiter(outputs)
        return np.concatenate([limit(hop) for hop in hops])

    compiled, plain = both(work)
    assert compiled.tobytes() == plain.tobytes()


# ---- sounds of the past ------------------------------------------------------------------------------------------

_CUTS = st.lists(st.integers(0, 700), min_size=1, max_size=4)


def streamed(how: Callable[[], Callable[[Floats], Floats]], cuts: list[int], seed: int, channels: int) -> Floats:
    """What a stream gives, however it is cut."""
    stream = how()
    sound = hostile(seed, (channels, sum(cuts))) * 0.5
    return np.concatenate([stream(part) for part in np.split(sound, np.cumsum(cuts)[:-1], axis=1)], axis=-1)


@given(_CUTS, st.integers(1, 2), st.integers(0, 99))
def test_a_room_keeps_its_bits_however_the_stream_is_cut(cuts: list[int], channels: int, seed: int) -> None:
    def network() -> Callable[[Floats], Floats]:
        return _Network(size=0.3, decay_s=2.0, dull_hz=4_000.0)

    compiled, plain = both(lambda: streamed(network, cuts, seed, channels))
    assert compiled.tobytes() == plain.tobytes()


@given(_CUTS, st.lists(st.integers(128, 900), min_size=1, max_size=8), st.sampled_from([0.0, 0.8]), st.integers(0, 99))
def test_loops_keep_their_bits_however_the_stream_is_cut(
    cuts: list[int], lengths: list[int], moves: float, seed: int
) -> None:
    def loops() -> Callable[[Floats], Floats]:
        turning = _Loops(lengths, 3_000.0)
        return lambda part: turning(part[0], np.linspace(1.0 - moves, 1.0, part.shape[1]) if moves else 0.9)

    compiled, plain = both(lambda: streamed(loops, cuts, seed, 1))
    assert compiled.tobytes() == plain.tobytes()


@given(_CUTS, st.integers(2, 16), st.integers(2, 90), st.integers(0, 99))
def test_a_raised_sound_keeps_its_bits_however_the_stream_is_cut(
    cuts: list[int], factor: int, grain: int, seed: int
) -> None:
    def raised() -> Callable[[Floats], Floats]:
        raise_sound = Raised(factor, grain)
        return lambda part: raise_sound(part[0])

    compiled, plain = both(lambda: streamed(raised, cuts, seed, 1))
    assert compiled.tobytes() == plain.tobytes()
    assert compiled.tobytes() == both(lambda: streamed(raised, [sum(cuts)], seed, 1))[0].tobytes()


@given(
    st.lists(st.tuples(st.integers(0, 900), st.integers(1, 300), st.integers(0, 400)), max_size=6),
    st.lists(st.sampled_from([0.25, 0.7, 1.0, 1.5, 4.0]), min_size=6, max_size=6),
    st.integers(0, 99),
)
def test_grains_keep_their_bits(wanted: list[tuple[int, int, int]], ratios: list[float], seed: int) -> None:
    sound = hostile(seed, 1_500)

    def work() -> Floats:
        cloud = Cloud(400, longest=300, highest=4 * ONE, rate_hz=48_000)
        cloud.begin(
            [
                Grain(frame=frame, length=length, back=back, step=round(ratio * ONE), gains=(0.3, 0.7))
                for (frame, length, back), ratio in zip(sorted(wanted), ratios, strict=False)
            ]
        )
        out = np.zeros((2, 1_500))
        cloud(sound, 0, out)
        return out

    compiled, plain = both(work)
    assert compiled.tobytes() == plain.tobytes()


@given(st.integers(1, 16), st.lists(st.integers(0, 90), min_size=1, max_size=3), st.integers(0, 99))
def test_a_tone_keeps_its_bits(harmonics: int, cuts: list[int], seed: int) -> None:
    def work() -> Floats:
        phasor, drawn = Phasor(48_000.0), np.random.default_rng(seed)
        parts = []
        for count in cuts:
            parts.append(phasor(drawn.uniform(0.0, 24_000.0, count), count))
            parts.append(phasor(440.1, count))
        return exact.partials(np.concatenate(parts), 1.0 / np.arange(1, harmonics + 1))

    compiled, plain = both(work)
    assert compiled.tobytes() == plain.tobytes()


# ---- what does not fit -------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "wrong",
    [np.zeros((1, 4), np.float32), np.zeros((1, 3)), np.zeros((4, 2)).T],
    ids=["of another type", "too short", "not in C order"],
)
def test_what_does_not_fit_is_refused_and_not_read_beyond_its_end(wrong: Floats) -> None:
    from residue.dsp import _kernel

    with pytest.raises((ValueError, BufferError)):
        _kernel.sosfilt(np.zeros((1, 6)), wrong, np.zeros((2, 4)), np.zeros((2, 1, 2)), 0.0, 1, 2, 4, 1, 2)
    with pytest.raises((ValueError, BufferError)):
        _kernel.power_sums(wrong, np.zeros(2), 2, 2, 4)


def test_counts_that_do_not_fit_are_refused() -> None:
    from residue.dsp import _kernel

    with pytest.raises(ValueError, match="knots"):
        _kernel.lines(np.zeros(2), np.zeros(4), np.zeros(9), 2, 4, 0, 9)
    with pytest.raises(ValueError, match="section"):
        _kernel.sosfilt(np.zeros((1, 6)), np.zeros(4), np.zeros(4), np.zeros(2), 0.0, 0, 1, 4, 1, 1)
    with pytest.raises(ValueError, match="filter and an input"):
        _kernel.sosfilt(np.zeros((2, 6)), np.zeros(12), np.zeros(12), np.zeros(6), 0.0, 1, 3, 4, 2, 3)
    for up, down, first in ((0, 1, 0), (2, 0, 0), (2, 1, -9)):
        with pytest.raises(ValueError, match="counted"):
            _kernel.upfirdn(np.zeros(8), np.zeros(4), np.zeros(4), 4, up, down, first, 4, 4)
    with pytest.raises(ValueError, match="counted"):
        _kernel.interpolate(np.zeros(8), np.zeros(4), np.zeros(4), 4, 2, -9, 4, 4)
    with pytest.raises(ValueError, match="reshape"):
        kernel.power_sums(np.zeros((2, 7)), 4)
    with pytest.raises(ValueError, match="chunk"):
        _kernel.slide(np.zeros(1), np.zeros(1), np.zeros(2), np.zeros(2), np.zeros(1), 2, 2, 0.0, 0, 1)


def test_what_is_not_remembered_is_not_read() -> None:
    from residue.dsp import _kernel

    sos, lengths = np.zeros(6), np.array([200, 200], np.int64)
    for at, held in ((0, 300), (200, 400), (-1, 400)):
        places, ring = np.full(2, at, np.int64), np.zeros(held)
        rows = (np.zeros(8), np.ones(1), np.zeros(16), ring, lengths, places, sos, np.zeros(4))
        with pytest.raises(ValueError, match="delay line"):
            _kernel.loops(*rows, 0.0, 0.5, 1.0, 2, 0, 8)
        with pytest.raises(ValueError, match="delay line"):
            _kernel.room(np.zeros(8), np.zeros(16), ring, lengths, places, np.zeros(2), sos, np.zeros(4), 0.0, 2, 1, 8)
    for within, step, offset, count in ((-1, 1, 0, 1), (0, -1, 0, 1), (0, 1 << 40, 0, 1), (0, 1, 7, 2), (0, 1, -1, 1)):
        with pytest.raises(ValueError, match="grain"):
            _kernel.grain(np.zeros(9), np.zeros(8), np.ones(1), np.zeros(8), 0, within, step, 0, offset, count, 1, 8)
    for at, factor, count in ((9, 1, 1), (-1, 1, 1), (0, 10, 1), (0, 0, 1), (0, 1, 9)):
        with pytest.raises(ValueError, match=r"grain|too short"):
            _kernel.raise_(np.zeros(9), np.zeros(8), np.zeros(8), at, factor, 0, 0, count)


def test_of_one_frame_that_is_remembered_nothing_beside_it_is_read() -> None:
    """A cubic through one value four times is that value."""
    memory, out = np.array([0.25, 1e9, 1e9]), np.zeros((1, 64))
    kernel.add_grain(
        out, [2.0], ring=memory[:1], position=0, within=1, step=3 << 29, first=0, count=64, coefficients=exact.SINE_ROW
    )
    assert out == pytest.approx(0.5, rel=1e-12)


def test_the_kernel_shows_no_other_library_its_names() -> None:
    """A function of the same name that came into the process before would be called in its place."""
    from residue.dsp import _kernel

    library = ctypes.CDLL(_kernel.__file__)
    assert library.PyInit__kernel
    for name in (
        "take",
        "release",
        "done",
        "refused",
        "filters",
        "curves",
        "levels",
        "windows",
        "memories",
        "filter_channels",
    ):
        assert not hasattr(library, name)


def test_an_array_that_may_not_be_written_is_refused() -> None:
    state = np.zeros((1, 1, 2))
    state.setflags(write=False)
    with pytest.raises((ValueError, BufferError)):
        sosfilt(np.zeros((1, 6)), x=np.zeros((1, 4)), state=state, guard=0.0)


def test_freed_memory_serves_the_next_block() -> None:
    """Blocks of 16 MB in all come and go; the pages of two of them are asked of the system, and no more."""
    work = """
import numpy as np, resource
from residue.dsp import kernel
for block in range(20):
    signals = [np.ones(100_000) for node in range(20)]
print(resource.getrusage(resource.RUSAGE_SELF).ru_minflt)
"""
    faults = int(subprocess.run([sys.executable, "-c", work], capture_output=True, text=True, check=True).stdout)
    pages = 20 * 800_000 // 4_096
    assert faults < 6 * pages  # 12 times as many where it goes back in between


def test_a_house_gives_back_what_its_blocks_do_not_need() -> None:
    """After 29 MB of the long blocks on the way to a place, less than a third of it stays."""
    work = """
import numpy as np
from residue.dsp import kernel
from residue.watchdog.machine import memory_bytes
kernel.keep_memory(14_400)
before = memory_bytes()
for block in range(3):
    signals = [np.ones(400_000) for node in range(9)]
    del signals
print(memory_bytes() - before)
"""
    stays = int(subprocess.run([sys.executable, "-c", work], capture_output=True, text=True, check=True).stdout)
    assert stays < 29e6 / 3  # all of it where blocks of a render are expected
