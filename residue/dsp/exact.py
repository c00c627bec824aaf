"""Elementary functions that give the same bits on every machine.

libm, SIMD kernels and fused multiply-add round `sin`, `exp`, `log` and `tanh` differently from one processor to
the next. A render that must be verifiable in twenty years may not use them. These functions are built from the
operations that IEEE 754 rounds exactly (+, -, *, /, sqrt, floor, frexp, ldexp, comparisons), or, for single numbers at
design time, from decimal arithmetic, which is specified to the digit.
"""

from __future__ import annotations

from collections.abc import Iterable
from decimal import ROUND_HALF_EVEN, Context, Decimal

import numpy as np
from numpy.typing import NDArray

from residue.dsp import kernel

Floats = NDArray[np.float64]
Phases = NDArray[np.uint64]

_DECIMAL = Context(prec=50, rounding=ROUND_HALF_EVEN)
_PI = Decimal("3.14159265358979323846264338327950288419716939937510582097494")
_LN_2 = _DECIMAL.ln(Decimal(2))
_LN_10 = _DECIMAL.ln(Decimal(10))

TURN = 1 << 64
"""One turn of a phase: phases are unsigned 64-bit integers, so that they wrap without rounding."""


# ---- single numbers, for designing filters ---------------------------------------------------------------------


def _sine_series(x: Decimal) -> Decimal:
    term, total, n = x, x, 1
    while abs(term) > Decimal("1e-48"):
        term = _DECIMAL.divide(_DECIMAL.multiply(_DECIMAL.multiply(-term, x), x), Decimal((n + 1) * (n + 2)))
        total = _DECIMAL.add(total, term)
        n += 2
    return total


def sin_turns(turns: float) -> float:
    """Sine of an angle in turns (1 turn = 360 degrees), correctly rounded in all but freak cases."""
    fraction = _DECIMAL.remainder(Decimal(turns), Decimal(1))
    return float(_sine_series(_DECIMAL.multiply(fraction, 2 * _PI)))


def cos_turns(turns: float) -> float:
    """Cosine of an angle in turns."""
    fraction = _DECIMAL.remainder(_DECIMAL.add(Decimal(turns), Decimal("0.25")), Decimal(1))
    return float(_sine_series(_DECIMAL.multiply(fraction, 2 * _PI)))


def tan_turns(turns: float) -> float:
    """Tangent of an angle in turns."""
    angle = _DECIMAL.multiply(_DECIMAL.remainder(Decimal(turns), Decimal(1)), 2 * _PI)
    return float(_DECIMAL.divide(_sine_series(angle), _sine_series(_DECIMAL.add(angle, _PI / 2))))


def exp(x: float) -> float:
    """The exponential of x, correctly rounded."""
    return float(_DECIMAL.exp(Decimal(x)))


def power(base: float, exponent: float) -> float:
    """A base above 0 to any exponent, correctly rounded."""
    return float(_DECIMAL.exp(_DECIMAL.multiply(_DECIMAL.ln(Decimal(base)), Decimal(exponent))))


def gain_from_db(level_db: float) -> float:
    """Amplitude factor of a level in dB, correctly rounded; 0 for minus infinity."""
    if level_db == float("-inf"):
        return 0.0
    return float(_DECIMAL.exp(_DECIMAL.multiply(Decimal(level_db), _LN_10) / 20))


def log10(x: float) -> float:
    """Decimal logarithm of x above 0, correctly rounded."""
    return float(_DECIMAL.log10(Decimal(x)))


# ---- arrays, for the signal path --------------------------------------------------------------------------------


def _taylor(*, terms: int, scale: Decimal, step: int, sign: int) -> tuple[float, ...]:
    """Taylor coefficients scale**n / n! for n = first, first + step, …, with alternating sign if sign is -1."""
    first = 1 if step == 2 else 0
    coefficients, factorial = [], Decimal(1)
    n = 0
    for k in range(first + step * (terms - 1) + 1):
        if k:
            factorial *= k
        if k >= first and (k - first) % step == 0:
            coefficients.append(float(_DECIMAL.power(scale, k) / factorial * (sign**n)))
            n += 1
    return tuple(coefficients)


_SINE = _taylor(terms=8, scale=_PI / 2, step=2, sign=-1)
_EXP2 = _taylor(terms=14, scale=_LN_2, step=1, sign=1)
_LOG2 = tuple(float(2 / (_LN_2 * (2 * k + 1))) for k in range(12))
_ARCTAN = tuple(float(Decimal((-1) ** k) / ((2 * k + 1) * 2 * _PI)) for k in range(17))
_TAN_EIGHTH = 0.41421356237309503
SINE_ROW, _EXP2_ROW = np.array(_SINE), np.array(_EXP2)
_OCTAVES_PER_DB = float(_LN_10 / (20 * _LN_2))
_SQRT_HALF = 0.7071067811865476


def _horner(x: Floats, coefficients: tuple[float, ...]) -> Floats:
    total = x * coefficients[-1]
    total += coefficients[-2]
    for coefficient in coefficients[-3::-1]:
        total *= x
        total += coefficient
    return total


def phases(turns: Floats) -> Phases:
    """Turns of any sign and size as integer phases."""
    share = turns - np.floor(turns)
    # Just below a whole turn the difference rounds to 1, which no integer phase can hold: use the start of the turn.
    return np.where(share < 1.0, share * float(TURN), 0.0).astype(np.uint64)


def sine(phase: Phases) -> Floats:
    """Sine of integer phases (2**64 is a turn); absolute error below 7e-12."""
    if kernel.COMPILED:
        return kernel.sine(phase, SINE_ROW)
    quarter = phase.view(np.int64) * 2.0**-62  # quarter turns, -2 .. 2
    folded = np.minimum(np.maximum(quarter, -2.0 - quarter), 2.0 - quarter)  # sine is mirrored about +-1
    value: Floats = folded * _horner(folded * folded, _SINE)
    return value


def cosine(phase: Phases) -> Floats:
    """Cosine of integer phases; error as that of `sine`."""
    return sine(phase + np.uint64(TURN // 4))


def partials(phase: Phases, weights: Floats) -> Floats:
    """The sum of the sines of 1, 2, … times the phases, (frames,), each with its weight, in this order."""
    if kernel.COMPILED:
        return kernel.partials(phase, weights, SINE_ROW)
    return total(sine(phase * np.uint64(n)) * weight for n, weight in enumerate(weights.tolist(), start=1))


def exp2(x: Floats) -> Floats:
    """2 to the power of x, elementwise; relative error below 1e-15. x is bounded to -1000 .. 1000."""
    if kernel.COMPILED:
        return kernel.exp2(x, _EXP2_ROW)
    bounded = np.minimum(np.maximum(x, -1000.0), 1000.0)
    whole = np.floor(bounded + 0.5)
    value: Floats = np.ldexp(_horner(bounded - whole, _EXP2), whole.astype(np.int32))
    return value


def log2(x: Floats) -> Floats:
    """Logarithm to base 2 of x above 0, elementwise; absolute error below 1e-14."""
    mantissa, exponent = np.frexp(x)
    small = mantissa < _SQRT_HALF
    mantissa = np.where(small, 2.0 * mantissa, mantissa)
    ratio = (mantissa - 1.0) / (mantissa + 1.0)
    value: Floats = ratio * _horner(ratio * ratio, _LOG2) + (exponent - small)
    return value


def angle_turns(across: Floats, along: Floats) -> Floats:
    """The angle, 0 to half a turn, of the points (along, across), where across is 0 or above; error below 1e-13.

    It is 0 where both are 0.
    """
    ahead = np.abs(along)
    ratio = np.minimum(across, ahead) / np.maximum(np.maximum(across, ahead), 1e-300)
    steep = ratio > _TAN_EIGHTH  # beyond an eighth of half a turn: counted from a quarter of it
    small = np.where(steep, (ratio - 1.0) / (ratio + 1.0), ratio)
    angle = small * _horner(small * small, _ARCTAN) + np.where(steep, 0.125, 0.0)
    angle = np.where(across > ahead, 0.25 - angle, angle)
    value: Floats = np.where(along < 0.0, 0.5 - angle, angle)
    return value


def gains_from_db(levels_db: Floats) -> Floats:
    """Amplitude factors of levels in dB, elementwise."""
    return exp2(levels_db * _OCTAVES_PER_DB)


def total(rows: Iterable[Floats]) -> Floats:
    """The sum of arrays, taken in their order.

    numpy's own sum over a short axis changes its order with the length of the other one.
    """
    first, *others = rows
    result = first.copy()
    for row in others:
        result += row
    return result
