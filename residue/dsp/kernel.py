"""The inner loops for which numpy has no exact or no quick operation, compiled from kernel*.c.

They are compiled when residue is installed. Without a compiler numpy and scipy give the same bits: each function of
residue that has a compiled loop holds the other form as well, and asks COMPILED. scipy is not used otherwise, since its
import takes longer than the rest of a start.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

_EDITION = 7
try:
    from residue.dsp import _kernel
except ImportError:
    COMPILED = False
else:
    COMPILED = getattr(_kernel, "EDITION", 1) == _EDITION
    """False too where it was compiled from other sources, such as before an update."""

_KEPT_CHANNELS, _KEPT_SIGNALS, _RENDERED_FRAMES = 10, 8, 48_000
"""The widest signal whose memory is kept, how many of these, and the frames of a block of a render."""

Floats = NDArray[np.float64]
_Turns = NDArray[np.uint64]
_Integers = NDArray[np.int64]


# ---- memory ------------------------------------------------------------------------------------------------------


def keep_memory(frames: int) -> None:
    """Lets the signals of a block of so many frames take the memory of the block before, from here on.

    To give it back to the system, and to get empty pages for it again, takes a quarter of the time of a render. What is
    larger than such a signal, as a loop is, lasts as long as a performance, and goes back after it.
    """
    if COMPILED:
        signal_bytes = _KEPT_CHANNELS * frames * 8
        _kernel.keep_memory(signal_bytes, _KEPT_SIGNALS * signal_bytes)


keep_memory(_RENDERED_FRAMES)


# ---- filters -----------------------------------------------------------------------------------------------------


def sosfilt(sos: Floats, *, x: Floats, state: Floats, guard: float) -> Floats:
    """X + guard, filtered; moves the state on: direct form II transposed.

    sos: (sections, 6), b0 b1 b2 1 a1 a2; or (channels, sections, 6), where each channel has a filter of its own. x:
    (channels, frames); or (1, frames), where all have the same input. state: (channels, sections, 2). All of float64,
    sos and state in C order.
    """
    if not COMPILED:
        return sosfilt_in_scipy(sos, x=x, state=state, guard=guard)
    channels, sections, _ = state.shape
    inputs, frames = x.shape
    filters, y = 1 if sos.ndim == 2 else len(sos), np.empty((channels, frames))
    x = np.ascontiguousarray(x, np.float64)
    _kernel.sosfilt(sos, x, y, state, guard, sections, channels, frames, filters, inputs)
    return y


def sosfilt_in_scipy(sos: Floats, *, x: Floats, state: Floats, guard: float) -> Floats:
    """The same as sosfilt, without a compiled kernel."""
    from scipy import signal

    guarded: Floats = np.broadcast_to(x + guard, (len(state), x.shape[1]))
    if not x.size:
        return guarded.copy()
    if sos.ndim == 3:
        rows = zip(sos, guarded, state, strict=True)
        return np.stack([sosfilt_in_scipy(own, x=x[None], state=at[None], guard=0.0)[0] for own, x, at in rows])
    y, after = signal.sosfilt(sos, guarded, zi=state.transpose(1, 0, 2))
    state[:] = after.transpose(1, 0, 2)
    filtered: Floats = y
    return filtered


@dataclass(frozen=True, slots=True)
class Polyphase:
    """A filter between two rates: makes `up` times as many samples, filters them, and keeps every `down`-th.

    phases: (up, taps of a phase), each from the last tap to the first. columns: the same, (taps of a phase, up).
    """

    up: int
    down: int
    phases: Floats
    columns: Floats

    def __call__(self, x: Floats, first: int, count: int) -> Floats:
        """(count,): the output from its `first`-th sample on. Samples before and after x are 0."""
        if not COMPILED:
            return self.in_scipy(x, first, count)
        y = np.empty(count)
        x, reach = np.ascontiguousarray(x, np.float64), self.phases.shape[1]
        if self.down == 1:
            _kernel.interpolate(self.columns, x, y, reach, self.up, first, len(x), count)
        else:
            _kernel.upfirdn(self.phases, x, y, reach, self.up, self.down, first, len(x), count)
        return y

    def in_scipy(self, x: Floats, first: int, count: int) -> Floats:
        """The same as the call, without a compiled kernel."""
        from scipy import signal

        taps = self.phases[:, ::-1].T.ravel()
        y: Floats = signal.upfirdn(taps, x, self.up, self.down)[first : first + count]
        return np.pad(y, (0, count - len(y)))


def polyphase(taps: Floats, *, up: int, down: int = 1) -> Polyphase:
    """The filter with these taps, (taps,), at `up` times the rate of the input."""
    reach = -(-len(taps) // up)
    rows = np.pad(taps, (0, reach * up - len(taps))).reshape(reach, up)
    return Polyphase(up, down, np.ascontiguousarray(rows.T[:, ::-1]), np.ascontiguousarray(rows[::-1]))


# ---- value by value ----------------------------------------------------------------------------------------------


def sine(phase: _Turns, coefficients: Floats) -> Floats:
    """residue.dsp.exact.sine, compiled."""
    y = np.empty(phase.shape)
    _kernel.sine(np.ascontiguousarray(phase, np.uint64), y, coefficients, y.size)
    return y


def partials(phase: _Turns, weights: Floats, coefficients: Floats) -> Floats:
    """residue.dsp.exact.partials, compiled."""
    y = np.empty(phase.shape)
    _kernel.partials(np.ascontiguousarray(phase, np.uint64), weights, y, coefficients, len(weights), y.size)
    return y


def turn(hertz: Floats, phase: _Turns, per_hz: float) -> _Turns:
    """residue.dsp.phase.Phasor where the frequency moves, (frames,); its state in phase, (1,), moves on."""
    y = np.empty(len(hertz), np.uint64)
    _kernel.turn(np.ascontiguousarray(hertz, np.float64), y, phase, per_hz, len(y))
    return y


def exp2(x: Floats, coefficients: Floats) -> Floats:
    """residue.dsp.exact.exp2, compiled."""
    y = np.empty(x.shape)
    _kernel.exp2(np.ascontiguousarray(x, np.float64), y, coefficients, y.size)
    return y


def saturate(x: Floats, reaches: float) -> Floats:
    """residue.dsp.shaping.saturate, compiled."""
    y = np.empty(x.shape)
    _kernel.saturate(np.ascontiguousarray(x, np.float64), y, reaches, y.size)
    return y


def lines(knots: Floats, shares: Floats, lead: int, count: int) -> Floats:
    """(count,): straight lines from knot to knot, in steps of these shares, from value `lead` on."""
    y = np.empty(count)
    _kernel.lines(knots, shares, y, len(knots), len(shares), lead, count)
    return y


# ---- levels ------------------------------------------------------------------------------------------------------


def power_sums(x: Floats, length: int, power: int = 2) -> Floats:
    """The sums of the powers of each `length` values along the last axis, in numpy's order: (…, frames / length).

    Raises ValueError where the last axis does not hold whole lengths.
    """
    if not COMPILED:
        return power_sums_in_numpy(x, length, power)
    parts = np.ascontiguousarray(x, np.float64).reshape(*x.shape[:-1], -1, length)
    sums = np.empty(parts.shape[:-1])
    _kernel.power_sums(parts, sums, power, sums.size, length)
    return sums


def power_sums_in_numpy(x: Floats, length: int, power: int = 2) -> Floats:
    """The same as power_sums, without a compiled kernel."""
    squares = x * x
    values = squares * squares if power == 4 else squares
    sums: Floats = np.add.reduce(values.reshape(*x.shape[:-1], -1, length), axis=-1)
    return sums


def weighted_sum(gains: Floats, x: Floats) -> Floats:
    """(frames,): the rows of x, (rows, frames), each times its gain, added up in their order."""
    if not COMPILED:
        return weighted_sum_in_numpy(gains, x)
    y = np.empty(x.shape[1])
    _kernel.weighted_sum(np.ascontiguousarray(gains, np.float64), np.ascontiguousarray(x, np.float64), y, *x.shape)
    return y


def weighted_sum_in_numpy(gains: Floats, x: Floats) -> Floats:
    """The same as weighted_sum, without a compiled kernel."""
    total: Floats = gains[0] * x[0]
    for gain, row in zip(gains[1:], x[1:], strict=True):
        total += gain * row
    return total


def levels_together(gains: Floats, x: Floats) -> tuple[float, float]:
    """The sum of squares and the highest magnitude of weighted_sum."""
    if not COMPILED:
        together = weighted_sum_in_numpy(gains, x)
        return float(np.add.reduce(together * together)), float(magnitudes_in_numpy(together))
    found, given = np.empty(2), np.ascontiguousarray(gains, np.float64)
    _kernel.levels_together(given, np.ascontiguousarray(x, np.float64), np.empty(x.shape[1]), found, *x.shape)
    return float(found[0]), float(found[1])


def magnitudes(x: Floats) -> Floats:
    """The highest magnitude along the last axis, of finite values."""
    if not COMPILED:
        return magnitudes_in_numpy(x)
    highest = np.empty(x.shape[:-1])
    _kernel.magnitudes(np.ascontiguousarray(x, np.float64), highest, highest.size, x.shape[-1])
    return highest


def magnitudes_in_numpy(x: Floats) -> Floats:
    """The same as magnitudes, without a compiled kernel."""
    highest: Floats = np.maximum(np.max(x, axis=-1), -np.min(x, axis=-1))
    return highest


def true_peaks(x: Floats, *, thresholds: Floats, interpolation: Floats) -> Floats:
    """(rows, frames): the peak of each frame that may be above the threshold of its row, else 0.

    x: (rows, 16 + frames). interpolation: the weights and bounds of residue.loudness.meters.true_peak.
    """
    rows, frames = len(x), x.shape[1] - 16
    peaks, least = np.empty((rows, frames)), np.ascontiguousarray(thresholds, np.float64)
    _kernel.true_peaks(np.ascontiguousarray(x, np.float64), least, interpolation, peaks, rows, frames)
    return peaks


def raise_to_peaks(highest: Floats, *, x: Floats, interpolation: Floats) -> None:
    """Raises highest, (rows,), to the highest peak of each row of x, (rows, 16 + frames), that is above it."""
    _kernel.highest_peaks(np.ascontiguousarray(x, np.float64), highest, interpolation, len(x), x.shape[1] - 16)


# ---- windows -----------------------------------------------------------------------------------------------------

FOLDS = (np.add, np.maximum)
"""What `slide` can do."""


def slide(
    x: Floats, *, chunk: Floats, ends: Floats, begun: Floats, filled: int, identity: float, maximum: bool
) -> Floats:
    """residue.dsp.sliding.Sliding, compiled; its state in chunk, ends (window,) and begun (1,) moves on."""
    y = np.empty(len(x))
    x = np.ascontiguousarray(x, np.float64)
    _kernel.slide(x, y, chunk, ends, begun, len(chunk), filled, identity, maximum, len(x))
    return y


def fall(x: Floats, *, down: Floats, up: Floats, lifted: Floats, filled: int, least: float, factor: float) -> Floats:
    """residue.dsp.sliding.FallingMaximum, compiled; its state in lifted, (1,), moves on."""
    y = np.empty(len(x))
    x = np.ascontiguousarray(x, np.float64)
    _kernel.fall(x, y, down, up, lifted, least, factor, len(down), filled, len(x))
    return y


def running_median(x: Floats, width: int) -> Floats:
    """The median of each `width` finite values, an odd number up to 255: (frames - width + 1,)."""
    if not COMPILED:
        return running_median_in_scipy(x, width)
    y = np.empty(len(x) - width + 1)
    _kernel.running_median(np.ascontiguousarray(x, np.float64), y, width, len(y))
    return y


def running_median_in_scipy(x: Floats, width: int) -> Floats:
    """The same as running_median, without a compiled kernel."""
    from scipy import ndimage

    medians: Floats = ndimage.median_filter(x, width)[width // 2 : len(x) - width // 2]
    return medians


def limit(
    asked: _Integers, *, rising: _Integers, last: _Integers, window: int, step: int, one: int
) -> tuple[Floats, _Integers]:
    """The gains of a limiter, (frames,), and the history of rising gains, moved on.

    asked: (window - 1 + frames,). rising: the last (fade - 1,) of before. last: (1,), moves on.
    """
    frames = len(asked) - window + 1
    history, gains = np.concatenate((rising, np.empty(frames, np.int64))), np.empty(frames)
    _kernel.limit(
        asked, np.empty(len(asked), np.int64), history, last, gains, window, len(rising) + 1, step, one, frames
    )
    return gains, history[frames:]


# ---- sounds of the past ------------------------------------------------------------------------------------------


def room(
    x: Floats,
    *,
    ring: Floats,
    lengths: _Integers,
    at: _Integers,
    losses: Floats,
    sos: Floats,
    state: Floats,
    guard: float,
) -> Floats:
    """residue.mapping.nodes.reverberation, compiled; its state in ring, at and state moves on.

    x: (inputs, frames). ring, lengths, at: those of residue.dsp.delay.DelayLines. Gives (2, frames).
    """
    inputs, frames = x.shape
    x, y = np.ascontiguousarray(x, np.float64), np.empty((2, frames))
    _kernel.room(x, y, ring, lengths, at, losses, sos, state, guard, len(lengths), inputs, frames)
    return y


def loops(
    heard: Floats,
    kept: Floats,
    *,
    ring: Floats,
    lengths: _Integers,
    at: _Integers,
    sos: Floats,
    state: Floats,
    guard: float,
    knee: float,
    bound: float,
) -> Floats:
    """The loops of residue.mapping.nodes.memory, compiled; their state in ring, at and state moves on.

    kept: (frames,), or (1,) for all frames. Gives (loops, frames).
    """
    count, frames = len(lengths), len(heard)
    y, moving = np.empty((count, frames)), int(len(kept) != 1)
    heard, kept = np.ascontiguousarray(heard, np.float64), np.ascontiguousarray(kept, np.float64)
    _kernel.loops(heard, kept, y, ring, lengths, at, sos, state, guard, knee, bound, count, moving, frames)
    return y


def add_grain(
    out: Floats,
    gains: Sequence[float],
    *,
    ring: Floats,
    position: int,
    within: int,
    step: int,
    first: int,
    count: int,
    coefficients: Floats,
    window: int = 0,
) -> None:
    """Adds frames of a sound to out, (channels, frames) in C order, from its frame `first` on, each with its gain.

    The sound began at a position of the ring, `within` frames before, at a speed of step / 2**32; between its frames it
    is read by residue.dsp.resampling.cubic. window: its length, if it is a grain with Hann's window. coefficients:
    residue.dsp.exact.SINE_ROW.
    """
    turn, row = (1 << 64) // (2 * window) if window else 0, np.array(gains)
    _kernel.grain(ring, out, row, coefficients, position, within, step, turn, first, count, len(out), out.shape[1])


def add_raised(
    out: Floats, *, ring: Floats, at: int, factor: int, window: Floats, within: int, first: int, count: int
) -> None:
    """Adds every `factor`-th frame of the ring, times the window from `within` on, to out from `first` on."""
    _kernel.raise_(ring, window, out, at, factor, within, first, count)
