"""Public holidays by country and region, from the `holidays` library."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from functools import cache

from residue.problems import nearest


def check_place(country: str, region: str | None) -> None:
    """Raises ValueError, in a person's words, for a country or region whose holidays are not known."""
    regions = _places().get(country)
    if regions is None:
        raise ValueError(f"'{country}' is not a country whose holidays are known. Write its two letters, such as DE.")
    if region is not None and region not in regions:
        raise ValueError(f"'{region}' is no region of {country} with holidays of its own. {nearest(region, regions)}")


@cache
def named(country: str, region: str | None, year: int) -> Mapping[dt.date, str]:
    """The holidays of a year with their names in English where the library has them."""
    import holidays  # 0.2 s, and few installations ask for it

    return dict(holidays.country_holidays(country, subdiv=region, years=year, language="en_US"))


@cache
def _places() -> Mapping[str, list[str]]:
    import holidays

    return holidays.list_supported_countries(include_aliases=False)
