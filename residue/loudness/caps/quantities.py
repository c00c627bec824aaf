"""The quantities in which a cap may be stated."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum

from residue.loudness.meters.weightings import FELT, Weighting

DAY_S = 28_800.0
"""A working day, over which A(8) is taken: Directive 2002/44/EC, Annex, Part B."""
HORIZONTAL_TIMES = 1.4
"""A(8) of horizontal vibration counts it so many times: the same place."""


class Statistic(StrEnum):
    """The property of a weighted signal that a cap limits."""

    MEAN = "mean"
    """The mean square over a window."""
    PEAK = "peak"
    """The highest magnitude of the weighted signal."""
    FAST_MAXIMUM = "fast maximum"
    """The highest level with time weighting F."""
    DOSE = "dose"
    """The fourth root of the fourth power, summed over a window: ISO 2631-1, 6.3.2."""


@dataclass(frozen=True, slots=True)
class Quantity:
    """A weighting, and the statistic of the weighted signal."""

    name: str
    weighting: Weighting
    statistic: Statistic
    own_window_s: float | None = None
    """The window that its name implies; None where a cap must state a window."""
    times: float = 1.0
    """The factor at which its name counts the weighted signal."""

    @property
    def felt(self) -> bool:
        """Whether it is an acceleration, in m/s², and not a level of sound."""
        return self.weighting in FELT

    @property
    def windowed(self) -> bool:
        """Whether it needs a window."""
        return self.statistic in (Statistic.MEAN, Statistic.DOSE)


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
        Quantity("aw", Weighting.WK, Statistic.MEAN),
        Quantity("A(8)", Weighting.WK, Statistic.MEAN, DAY_S),
        Quantity("A(8) horizontal", Weighting.WD, Statistic.MEAN, DAY_S, HORIZONTAL_TIMES),
        Quantity("VDV", Weighting.WK, Statistic.DOSE),
        Quantity("aw horizontal", Weighting.WD, Statistic.MEAN),
        Quantity("VDV horizontal", Weighting.WD, Statistic.DOSE),
    )
}
"""G is of ISO 7196, K of ITU-R BS.1770; aw and VDV of ISO 2631-1 and A(8) of Directive 2002/44/EC, up and down where
nothing else is said; the others are of IEC 61672-1. For the health of who sits, both of these count horizontal
vibration 1.4 times: A(8) does by its name; for aw and VDV it is left to whoever writes the limit.
"""
