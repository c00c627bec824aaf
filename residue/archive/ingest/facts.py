"""Facts about a file of numbers that the file itself need not tell: its rate, or where the time of each row stands."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated

from msgspec import Meta

from residue.archive.performance import ManifestTable

SECONDS_PER_TIME_UNIT: Mapping[str, float] = {"s": 1.0, "ms": 1e-3, "us": 1e-6, "ns": 1e-9}
"""The units of a column of times."""

RateHz = Annotated[float, Meta(gt=0, le=1e6)]


class TableFacts(ManifestTable, frozen=True, kw_only=True):
    """Facts about rows of numbers that a person must give: their rate, or the column that holds the time."""

    rate_hz: RateHz | None = None
    """Rows a second, if no column has the time."""
    time: str | None = None
    """Heading of the column with the time: numbers in time_unit, or dates and times as ISO 8601 writes them."""
    time_unit: str | None = None
    """"s", "ms", "us" or "ns"; if not given, the heading and the size of the numbers must tell it."""
    resample_hz: RateHz | None = None
    """Put rows that came unevenly on an even grid of this rate, by straight lines from row to row."""

    def __post_init__(self) -> None:
        if (self.rate_hz is None) == (self.time is None):
            raise ValueError("A table needs either rate_hz or time. Write one of them.")
        if self.time_unit is not None and self.time_unit not in SECONDS_PER_TIME_UNIT:
            known = ", ".join(f'"{unit}"' for unit in SECONDS_PER_TIME_UNIT)
            raise ValueError(f'time_unit = "{self.time_unit}" is not known. Write one of {known}.')
        if self.time is None and (self.time_unit or self.resample_hz):
            raise ValueError("time_unit and resample_hz need time. Write time = the heading of its column.")
