import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Counts = NDArray[np.int64]

EDITION: int

def keep_memory(largest: int, all: int, /) -> None: ...
def sosfilt(
    sos: Floats,
    x: Floats,
    y: Floats,
    state: Floats,
    guard: float,
    sections: int,
    channels: int,
    frames: int,
    filters: int,
    inputs: int,
    /,
) -> None: ...
def upfirdn(
    phases: Floats, x: Floats, y: Floats, reach: int, up: int, down: int, first: int, samples: int, wanted: int, /
) -> None: ...
def interpolate(
    taps: Floats, x: Floats, y: Floats, reach: int, up: int, first: int, samples: int, wanted: int, /
) -> None: ...
def sine(phase: NDArray[np.uint64], y: Floats, coefficients: Floats, count: int, /) -> None: ...
def partials(
    phase: NDArray[np.uint64], weights: Floats, y: Floats, coefficients: Floats, partials: int, count: int, /
) -> None: ...
def turn(hertz: Floats, y: NDArray[np.uint64], phase: NDArray[np.uint64], per_hz: float, count: int, /) -> None: ...
def exp2(x: Floats, y: Floats, coefficients: Floats, count: int, /) -> None: ...
def saturate(x: Floats, y: Floats, reaches: float, count: int, /) -> None: ...
def lines(knots: Floats, shares: Floats, y: Floats, all: int, per_knot: int, lead: int, count: int, /) -> None: ...
def power_sums(x: Floats, sums: Floats, power: int, count: int, length: int, /) -> None: ...
def weighted_sum(gains: Floats, x: Floats, y: Floats, rows: int, count: int, /) -> None: ...
def levels_together(gains: Floats, x: Floats, y: Floats, found: Floats, rows: int, count: int, /) -> None: ...
def magnitudes(x: Floats, highest: Floats, rows: int, count: int, /) -> None: ...
def true_peaks(
    x: Floats, thresholds: Floats, interpolation: Floats, peaks: Floats, rows: int, frames: int, /
) -> None: ...
def highest_peaks(x: Floats, highest: Floats, interpolation: Floats, rows: int, frames: int, /) -> None: ...
def slide(
    x: Floats,
    y: Floats,
    chunk: Floats,
    ends: Floats,
    begun: Floats,
    window: int,
    filled: int,
    identity: float,
    maximum: int,
    count: int,
    /,
) -> None: ...
def fall(
    x: Floats,
    y: Floats,
    down: Floats,
    up: Floats,
    lifted: Floats,
    least: float,
    factor: float,
    chunk: int,
    filled: int,
    count: int,
    /,
) -> None: ...
def running_median(x: Floats, y: Floats, width: int, count: int, /) -> None: ...
def limit(
    asked: Counts,
    back: Counts,
    rising: Counts,
    last: Counts,
    gains: Floats,
    window: int,
    fade: int,
    step: int,
    one: int,
    frames: int,
    /,
) -> None: ...
def room(
    x: Floats,
    y: Floats,
    ring: Floats,
    lengths: Counts,
    at: Counts,
    losses: Floats,
    sos: Floats,
    state: Floats,
    guard: float,
    lines: int,
    inputs: int,
    frames: int,
    /,
) -> None: ...
def loops(
    heard: Floats,
    kept: Floats,
    y: Floats,
    ring: Floats,
    lengths: Counts,
    at: Counts,
    sos: Floats,
    state: Floats,
    guard: float,
    knee: float,
    bound: float,
    loops: int,
    moving: int,
    frames: int,
    /,
) -> None: ...
def grain(
    ring: Floats,
    out: Floats,
    gains: Floats,
    coefficients: Floats,
    position: int,
    within: int,
    step: int,
    turn: int,
    offset: int,
    count: int,
    channels: int,
    frames: int,
    /,
) -> None: ...
def raise_(
    ring: Floats,
    window: Floats,
    out: Floats,
    at: int,
    factor: int,
    begin: int,
    offset: int,
    count: int,
    /,
) -> None: ...
