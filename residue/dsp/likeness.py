"""How alike two shapes are."""

from __future__ import annotations

import math
from collections.abc import Sequence
from operator import mul


def correlation(one: Sequence[float], other: Sequence[float]) -> float:
    """The correlation of two shapes around 0, over their common length; 0 where one of them is 0 throughout.

    The sums are correctly rounded, so that the bits are the same everywhere.
    """
    products = math.fsum(map(mul, one, other))
    squares = math.fsum(map(mul, one, one)) * math.fsum(map(mul, other, other))
    return products / math.sqrt(squares) if squares > 0.0 else 0.0


def around_mean(shape: Sequence[float]) -> list[float]:
    """The shape without its mean: two pieces of a drift would look alike by their height alone."""
    middle = math.fsum(shape) / max(len(shape), 1)
    return [value - middle for value in shape]
