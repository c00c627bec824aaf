"""The exposure of a person who stays for hours, as levels and doses.

Levels are in dB(A) re 20 uPa, durations in hours. A stay is a sequence of (level, hours).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import fsum, inf, log2, log10

Stay = Sequence[tuple[float, float]]

WORKING_DAY_H = 8.0


def daily_exposure_db(stay: Stay) -> float:
    """LEX,8h: the level that, held for eight hours, has the energy of a stay.

    Source: ISO 1999, 3.6; Directive 2003/10/EC, Article 2.
    """
    energy = fsum(hours * 10.0 ** (level / 10.0) for level, hours in stay)
    return 10.0 * log10(energy / WORKING_DAY_H) if energy > 0.0 else -inf


@dataclass(frozen=True, slots=True, kw_only=True)
class DoseRule:
    """A rule for a dose: a level that is permitted for eight hours, and the rise of it that halves the time."""

    criterion_db: float
    exchange_db: float
    threshold_db: float = -inf
    """Lower levels do not count."""

    def permitted_h(self, level_db: float) -> float:
        """The time for which a level is permitted."""
        return float(WORKING_DAY_H / 2.0 ** ((level_db - self.criterion_db) / self.exchange_db))

    def dose_percent(self, stay: Stay) -> float:
        """The dose of a stay; 100 is the permitted dose."""
        return 100.0 * fsum(
            hours / self.permitted_h(level) for level, hours in stay if level >= self.threshold_db and hours > 0.0
        )

    def mean_level_db(self, dose_percent: float) -> float:
        """The level that, held for eight hours, gives a dose (TWA); -inf for none."""
        if dose_percent <= 0.0:
            return -inf
        return self.criterion_db + self.exchange_db * log2(dose_percent / 100.0)


NIOSH = DoseRule(criterion_db=85.0, exchange_db=3.0)
"""NIOSH publication 98-126, section 1.1; 3 dB is the customary rounding of 3.01."""
OSHA = DoseRule(criterion_db=90.0, exchange_db=5.0)
"""29 CFR 1910.95, Table G-16 and Appendix A."""
OSHA_HEARING_CONSERVATION = replace(OSHA, threshold_db=80.0)
"""29 CFR 1910.95(d)(2)(i): for the action level of 50 %, levels from 80 dB(A) on count."""
