"""How alike two shapes are."""

from __future__ import annotations

import math
from collections.abc import Sequence
from operator import mul


def correlation(one: Sequence[float], other: Sequence[float]) -> float:
    """The correlation of two shapes around 0, over their common length; 0 where one of them is 0 throughout.

    The sums are correctly rounded, so that the bits are the same everywhere.
    """
    return correlation_of(one, other, sum_of_squares(one) * sum_of_squares(other))


def correlation_of(one: Sequence[float], other: Sequence[float], squares: float) -> float:
    """The same where the product of their sums of squares is known."""
    return math.fsum(map(mul, one, other)) / math.sqrt(squares) if squares > 0.0 else 0.0


def sum_of_squares(shape: Sequence[float]) -> float:
    """Correctly rounded."""
    return math.fsum(map(mul, shape, shape))


def around_mean(shape: Sequence[float]) -> list[float]:
    """The shape without its mean: two pieces of a drift would look alike by their height alone."""
    middle = math.fsum(shape) / max(len(shape), 1)
    return [value - middle for value in shape]
