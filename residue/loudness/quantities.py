"""What a cap may be stated in."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum

from residue.loudness.weightings import Weighting


class Statistic(StrEnum):
    """What of a weighted signal counts."""

    MEAN = "mean"
    """The mean square over a window."""
    PEAK = "peak"
    """The highest magnitude."""
    FAST_MAXIMUM = "fast maximum"
    """The highest level with time weighting F."""


@dataclass(frozen=True, slots=True)
class Quantity:
    """A weighting, and what of the weighted signal counts."""

    name: str
    weighting: Weighting
    statistic: Statistic

    @property
    def windowed(self) -> bool:
        """Whether it is taken over a window."""
        return self.statistic is Statistic.MEAN


QUANTITIES: Mapping[str, Quantity] = {
    quantity.name: quantity
    for quantity in (
        Quantity("LAeq", Weighting.A, Statistic.MEAN),
        Quantity("LCeq", Weighting.C, Statistic.MEAN),
        Quantity("LZeq", Weighting.Z, Statistic.MEAN),
        Quantity("LGeq", Weighting.G, Statistic.MEAN),
        Quantity("LKeq", Weighting.K, Statistic.MEAN),
        Quantity("LCpeak", Weighting.C, Statistic.PEAK),
        Quantity("LAFmax", Weighting.A, Statistic.FAST_MAXIMUM),
    )
}
"""G is of ISO 7196, K of ITU-R BS.1770; the others are of IEC 61672-1."""
